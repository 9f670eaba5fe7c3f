"""A store that version 0.4.0 wrote shows after its upgrade what it showed before (tests/data/store-0.4.0/make.py)."""

import hashlib
import json
import tarfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import MetaData, create_engine, insert, select, text

from monitor.contract.config.limits import limits_of
from monitor.contract.config.load import load
from monitor.contract.config.recipe import Recipe
from monitor.contract.topics import Stream
from monitor.shell.doctor_rebuild import rebuild
from monitor.store import audit_trail, upgrade
from monitor.store.database import FILE, open_for_reading, open_for_writing
from monitor.store.migrations.versions import v0003_who_did_it_and_kinds as v0003
from monitor.store.reader import StoreReader
from monitor.store.revisions import RevisionConflictError, recipes_on_record, refuse_conflicts
from monitor.store.schema import JOURNAL, SCHEMA_VERSION
from monitor.store.server import server_url
from tests.contract.config.test_content import known_revisions
from tests.core.script import CONFIGS
from tests.shell.works import settings_at, stored_at

ARCHIVE = Path(__file__).parents[1] / "data" / "store-0.4.0" / "record-0.4.0.tar.xz"
LINES = ("core-1", "lay-1")


@pytest.fixture
def store(place: Path) -> Path:
    """Folder of the store as 0.4.0 left it; on a server, its rows lie in tables as 0.4.0 made them."""
    with tarfile.open(ARCHIVE) as archive:
        archive.extractall(place, filter="data")
    folder = place / "record"
    if address := settings_at(folder).database_url:
        _move_to_server(folder / FILE, address)
    return folder


def _move_to_server(file: Path, address: str) -> None:
    source, target = create_engine(f"sqlite:///{file}"), create_engine(server_url(address))
    with source.connect() as old, target.begin() as new:
        upgrade.migrate(new, 1)
        new.execute(text("drop table alembic_version"))
        tables = MetaData()
        tables.reflect(new)
        for table in tables.sorted_tables:
            rows = [dict(row._mapping) for row in old.execute(select(table))]
            if rows:
                new.execute(insert(table), rows)
    source.dispose()
    target.dispose()
    file.unlink()


def shown_before(folder: Path) -> dict[str, Any]:
    """What 0.4.0's own reader answered."""
    shown: dict[str, Any] = json.loads((folder / "shown.json").read_text())
    return shown


def digest(values: list[Any]) -> str:
    return hashlib.sha256(repr(values).encode()).hexdigest()


def plain(new: object, old: object) -> object:
    """A reader's answer as JSON would hold it; of a row, the fields that it had before."""
    if isinstance(new, Recipe):
        return {"recipe": new.recipe, "revision": new.revision, "limits": limits_of(new)}
    if isinstance(old, dict):
        if isinstance(new, Mapping):
            return {name: plain(value, old.get(name)) for name, value in new.items()}
        return {name: plain(getattr(new, name), value) for name, value in old.items()}
    if isinstance(old, list) and isinstance(new, Sequence) and len(old) == len(new):
        return [plain(a, b) for a, b in zip(new, old, strict=True)]
    return new


def with_signers(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Findings of 0.4.0 as they are since: a kind and a check were renamed, who and why have fields (A14)."""
    for f in findings:
        f["kind"] = "fault" if f["kind"] == "event" else f["kind"]
        signed = v0003.parted(f["text"], f["kind"], ()) if f["kind"] in v0003.ACTS else ("", "", f["text"])
        f["by"], f["reason"], f["text"] = signed
        f["check"] = "unverified" if f["check"] == "unseen" else f["check"]
        f["key"] = f["key"].replace("/unseen@", "/unverified@")
    return findings


def test_the_version_is_raised_and_nothing_else_is_asked_of_anyone(store):
    """A9."""
    engine = open_for_writing(settings_at(store))
    with engine.connect() as connection:
        assert upgrade.version_of(connection) == SCHEMA_VERSION
    engine.dispose()


@pytest.mark.parametrize("line", LINES)
def test_a_line_shows_what_it_showed_before(store, line):
    """A9."""
    open_for_writing(settings_at(store)).dispose()
    reader = StoreReader(settings_at(store))
    answers = {
        "drums": reader.drums(line),
        "findings": sorted(reader.findings(line, -1e9, 1e9), key=lambda f: f.key),
        "alarm_changes": sorted(reader.alarm_changes(line, 0, 10**15, 10**6), key=lambda a: (a.t_ms, a.alarm)),
        "alarms_now": sorted(reader.alarms_now(line), key=lambda a: a.alarm),
        "states": reader.states(line, 0, 10**15),
        "gaps": reader.gaps(line, 0, 10**15),
        "splices": reader.splices(line, -1e9, 1e9),
        "rows": {n: [len(v), digest(v.tolist())] for n, v in reader.rows(line, 0, 1e9).items()},
    }
    before = shown_before(store)["lines"][line]
    before["findings"] = sorted(with_signers(before["findings"]), key=lambda f: f["key"])
    for drum in before["drums"]:
        drum["metres"]["unverified"] = drum["metres"].pop("unseen")
    for name, answer in answers.items():
        assert before[name] or name in ("gaps", "splices"), name
        assert plain(answer, before[name]) == before[name], name
    first, verdict = reader.verdicts(line, 0, 1e9)
    assert [first, len(verdict), digest(verdict.tolist())] == before["verdict"]


def test_samples_rejections_and_changes_of_limits_are_those_of_before(store):
    """A9."""
    open_for_writing(settings_at(store)).dispose()
    reader, before = StoreReader(settings_at(store)), shown_before(store)
    for name, (size, times, values) in before["samples"].items():
        trend = reader.samples(Stream(*name.split("/")), 0, 10**15)
        assert [len(trend.v), digest(trend.t_ms.tolist()), digest(trend.v.tolist())] == [size, times, values], name
    assert plain(reader.rejected(), before["rejected"]) == before["rejected"]
    assert plain(reader.proposals(), before["proposals"]) == before["proposals"]
    assert plain(reader.came_into_force(), before["in_force"]) == before["in_force"]


def test_its_messages_make_it_again_but_for_the_last_digits_of_oven_temperatures(store, tmp_path):
    """A9: means over the passes of a zone differ by less than a millionth of a degree; all else is equal."""
    open_for_writing(settings_at(store)).dispose()
    made = rebuild(stored_at(store), "lay-1", tmp_path / "lay-1")
    assert made.differences == ()
    note, of_events = made.notes
    assert of_events == "events of lay-1 are not on record: older programs kept none. They are not compared"
    assert note.startswith("how lay-1 was described is not on record: filling 1, drum ")
    assert note.endswith("are made again by its present file")
    found = rebuild(stored_at(store), "core-1", tmp_path / "core-1").differences
    ovens = ("shock-oven", "oven-a", "oven-b", "cooling-trough")
    assert {d.column for d in found} == {"digest", *(f"{oven}/temperature" for oven in ovens)}
    assert all(d.is_tiny for d in found)


def test_the_demo_goes_on_with_it_but_for_a_recipe_that_people_have_changed_since(store):
    """A9: its recipes have other texts than 0.4.0's, under another revision. Mira raised a limit of core-2g5."""
    engine = open_for_writing(settings_at(store))
    with engine.connect() as connection:
        for kept in recipes_on_record(connection):
            assert kept.digest == known_revisions()[f"recipes/{kept.name}.toml", kept.revision]
    demo = load(CONFIGS)
    refuse_conflicts(engine, demo, ["lay-1"])
    remedy = "recipes/core-2g5.toml: revision 2 is on record for line core-1 with other content .* give it revision 3"
    with pytest.raises(RevisionConflictError, match=remedy) as refused:
        refuse_conflicts(engine, demo, LINES)
    assert "\n" not in str(refused.value)


def test_the_journal_is_the_same_and_sound(store):
    """A9: an upgrade must not break the seals."""
    open_for_writing(settings_at(store)).dispose()
    with open_for_reading(settings_at(store)).connect() as connection:
        rows = connection.execute(select(JOURNAL).order_by(JOURNAL.c.line, JOURNAL.c.seq)).all()
    assert [row.hash for row in rows] == shown_before(store)["journal"]
    assert not [verdict for verdict in audit_trail.verify(rows) if verdict.wrong]


@pytest.mark.parametrize(
    ("text", "kind", "names", "parts"),
    [
        ("Mira: joint in the conductor", "mark", (), ("Mira", "joint in the conductor", "")),
        ("Quality: M. Tarn", "decision", ("Quality: M. Tarn", "Quality"), ("Quality: M. Tarn", "", "")),
        ("Quality: M. Tarn: seen: all", "mark", ("Quality: M. Tarn",), ("Quality: M. Tarn", "seen: all", "")),
        ("Olle:  (0.3 ohm at 20 degC)", "resistance", (), ("Olle", "", "0.3 ohm at 20 degC")),
        ("Olle: hot (0.3 ohm at 65 degC)", "resistance", ("Olle",), ("Olle", "hot", "0.3 ohm at 65 degC")),
        ("Olle: (0.3 ohm at 65 degC)", "mark", (), ("Olle", "(0.3 ohm at 65 degC)", "")),
        ("Olle", "work", (), ("Olle", "", "")),
    ],
)
def test_who_and_why_are_read_from_the_texts_of_0_4_0(text, kind, names, parts):
    """A14. Names that are known from fields of their own are taken whole."""
    assert v0003.parted(text, kind, names) == parts
