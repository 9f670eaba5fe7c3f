"""The record of a drum as a page: what is proposed, and why."""

from dashboard.pages.release import layout as release
from tests.dashboard.page_text import text_of


def test_the_sheet_says_what_stands_against_release(context, drum):
    text = text_of(release.content(context, drum))
    assert "Proposed disposition (automatic): hold" in text
    assert "nonconforming" in text
    assert "Release is decided by an authorised person" in text
    assert "Signature" in text
