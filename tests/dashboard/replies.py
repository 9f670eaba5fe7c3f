"""Replies of the pages' API, as a browser has them."""

from collections.abc import Mapping
from typing import Any


def reply_of(reply: Mapping[str, object]) -> Mapping[str, Any]:
    """A reply whose values are read without checks of their types, as JSON is."""
    return reply
