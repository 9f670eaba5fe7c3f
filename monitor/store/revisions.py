"""Revisions of recipes and lines: a number is a content, and neither ever changes once the record has it."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from pydantic import ValidationError
from sqlalchemy import Connection, Engine, select

from monitor.contract.command import CannotRunError
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.content import differences_of, digest_of
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.store.schema import IN_FORCE, LINE_REVISION, REVISION

FILES = "configuration files"  # who brought a revision that no message did


class RevisionConflictError(CannotRunError):
    """A file has another content than the record under its revision, or a lower revision; the text gives a remedy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedRevision:
    """One revision as the record has it. `content` is None where this program cannot read it any more."""

    name: str
    revision: int
    digest: str
    text: str
    t_ms: int
    content: Line | Recipe | None


def recipes_on_record(connection: Connection) -> list[RecordedRevision]:
    """Revisions of recipes' files, oldest first."""
    r = REVISION.c
    rows = connection.execute(select(REVISION).order_by(r.recipe, r.revision)).all()
    return [_kept(Recipe, row.recipe, row.revision, row.digest, row.text, row.first_seen_ms) for row in rows]


def recipes_that_came(connection: Connection, line: str) -> list[RecordedRevision]:
    """Recipes that came into force on a line while it ran, oldest first."""
    f = IN_FORCE.c
    rows = connection.execute(select(IN_FORCE).where(f.line == line).order_by(f.t_ms, f.revision)).all()
    return [_kept(Recipe, row.recipe, row.revision, None, row.text, row.t_ms) for row in rows]


def lines_on_record(connection: Connection, line: str) -> list[RecordedRevision]:
    """Revisions of a line's file, oldest first."""
    r = LINE_REVISION.c
    rows = connection.execute(select(LINE_REVISION).where(r.line == line).order_by(r.revision)).all()
    return [_kept(Line, row.line, row.revision, row.digest, row.text, row.since_ms) for row in rows]


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionsTaken:
    """What the configuration files brought to a line at one start of its monitor, after the message of this id.

    `message_id` is None where an older program kept only the time (UTC ms) to which the record had come.
    """

    message_id: int | None
    t_ms: int
    line: Line | None = None
    recipes: tuple[Recipe, ...] = ()


def taken_from_files(connection: Connection, line: str) -> list[RevisionsTaken]:
    """What files brought to a line after its beginning, oldest first; what this program cannot read is left out."""
    r, f = LINE_REVISION.c, IN_FORCE.c
    lines = {kept.revision: kept.content for kept in lines_on_record(connection, line)}
    recipes = contents(recipes_that_came(connection, line))
    described = select(r.revision, r.message_id, r.since_ms).where(r.line == line, r.since_m.is_not(None))
    came = select(f.recipe, f.revision, f.message_id, f.t_ms).where(f.line == line, f.by_whom == FILES)
    found = [
        RevisionsTaken(message_id=row.message_id, t_ms=row.since_ms, line=content)
        for row in connection.execute(described.order_by(r.revision))
        if isinstance(content := lines[row.revision], Line)
    ]
    found += [
        RevisionsTaken(message_id=row.message_id, t_ms=row.t_ms, recipes=(recipes[row.recipe, row.revision],))
        for row in connection.execute(came.order_by(f.t_ms, f.revision))
        if (row.recipe, row.revision) in recipes
    ]
    return _together(sorted(found, key=lambda one: (one.message_id or 0, one.t_ms)))


def _together(found: list[RevisionsTaken]) -> list[RevisionsTaken]:
    """One for each start: what came after the same message, or at the same time where no message is known, came at
    once, unless it is the same file twice."""
    starts: list[RevisionsTaken] = []
    for one in found:
        last = starts[-1] if starts else None
        if last is None or not _is_same_start(last, one) or _both_have(last, one):
            starts.append(one)
        else:
            starts[-1] = replace(last, line=last.line or one.line, recipes=(*last.recipes, *one.recipes))
    return starts


def _is_same_start(one: RevisionsTaken, other: RevisionsTaken) -> bool:
    return one.message_id == other.message_id and (one.message_id is not None or one.t_ms == other.t_ms)


def _both_have(one: RevisionsTaken, other: RevisionsTaken) -> bool:
    names = {recipe.recipe for recipe in one.recipes} & {recipe.recipe for recipe in other.recipes}
    return bool(names) or (one.line is not None and other.line is not None)


def refuse_conflicts(engine: Engine, configuration: Configuration, lines: Collection[str]) -> None:
    """RevisionConflictError that names every file whose revision is not the content on record."""
    with engine.connect() as connection:
        kept = recipes_on_record(connection)
        found = [p for recipe in configuration.recipes.values() for p in _problems(recipe, recipe.recipe, kept)]
        for line in lines:
            file = configuration.lines[line]
            found += _problems(file, line, lines_on_record(connection, line))
            came = recipes_that_came(connection, line)
            for recipe in configuration.recipes_for(line).values():
                newest = max((k.revision for k in came if k.name == recipe.recipe), default=0)
                found += _other_content(recipe, recipe.recipe, came, newest, f" for line {line}")
    if found:
        raise RevisionConflictError("\n".join(dict.fromkeys(found)))


def _problems(file: Line | Recipe, name: str, kept: list[RecordedRevision]) -> Iterator[str]:
    newest = max((k.revision for k in kept if k.name == name), default=0)
    if file.revision < newest:
        yield (
            f"{_path(file, name)}: revision {file.revision} is lower than {newest}, the newest on record: put the file "
            f"of revision {newest} back, or give this content revision {newest + 1}"
        )
    else:
        yield from _other_content(file, name, kept, newest)


def _other_content(
    file: Line | Recipe, name: str, kept: list[RecordedRevision], newest: int, where: str = ""
) -> Iterator[str]:
    for one in kept:
        if (one.name, one.revision) == (name, file.revision) and one.digest and one.digest != digest_of(file):
            yield (
                f"{_path(file, name)}: revision {file.revision} is on record{where} with other content"
                f"{_where_differ(one.content, file)}: give it revision {newest + 1}"
            )


def _where_differ(before: Line | Recipe | None, after: Line | Recipe) -> str:
    if before is None:
        return ""
    keys = differences_of(before, after)
    if not keys:
        return ""
    key, (old, new) = next(iter(keys.items()))
    more = f" and {len(keys) - 1} more" if len(keys) > 1 else ""
    return f" ({key}: {_spelt(old)} on record, {_spelt(new)} in the file{more})"


def _spelt(value: object) -> str:
    if value is None:
        return "not set"
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else repr(value)


def _path(file: Line | Recipe, name: str) -> str:
    return f"{'recipes' if isinstance(file, Recipe) else 'lines'}/{name}.toml"


@lru_cache(maxsize=200)
def _content(model: type[Line] | type[Recipe], text: str) -> tuple[Line | Recipe | None, str]:
    """A file's content and its digest: revisions stay as they are, and each start and each page reads all of them."""
    try:
        content = model.model_validate_json(text)
    except ValidationError:  # of another program's keys: its digest still shows whether it is the same
        return None, ""
    return content, digest_of(content)


def _kept(
    model: type[Line] | type[Recipe], name: str, revision: int, digest: str | None, text: str, t_ms: int
) -> RecordedRevision:
    content, found = _content(model, text)
    return RecordedRevision(
        name=name,
        revision=revision,
        digest=digest or found,
        text=text,
        t_ms=t_ms,
        content=content,
    )


def contents(kept: list[RecordedRevision]) -> dict[tuple[str, int], Recipe]:
    """Recipes that can be read, by name and revision."""
    return {(k.name, k.revision): k.content for k in kept if isinstance(k.content, Recipe)}


def given_recipes(files: Mapping[str, Recipe], *kept: list[RecordedRevision]) -> dict[tuple[str, int], Recipe]:
    """Every recipe that is known, by name and revision."""
    found = {(r.recipe, r.revision): r for r in files.values()}
    for some in kept:
        found |= contents(some)
    return found
