"""SQL statements compiled once for all engines of a test process: tests open thousands of stores."""

from typing import Any

from sqlalchemy import Engine
from sqlalchemy.engine.default import DefaultDialect
from sqlalchemy.util import LRUCache

STATEMENTS_MAX = 2000


class Statements(LRUCache[Any, Any]):
    """Compiled statements by kind of database, not by engine: nothing else of an engine is in a statement's SQL."""

    def get(self, key: Any, default: Any = None) -> Any:
        return super().get(_by_kind(key), default)

    def __setitem__(self, key: Any, compiled: Any) -> None:
        super().__setitem__(_by_kind(key), compiled)


def _by_kind(key: tuple[DefaultDialect, Any]) -> tuple[Any, ...]:
    dialect, *statement = key
    return dialect.name, *statement


def share() -> None:
    """Engines that are made in this process from now on share their compiled statements."""
    statements = Statements(STATEMENTS_MAX)

    def use(_: type[DefaultDialect], engine: Engine) -> None:
        engine.update_execution_options(compiled_cache=statements)

    DefaultDialect.engine_created = classmethod(use)  # type: ignore[method-assign, assignment]
