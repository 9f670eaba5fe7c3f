"""How record-0.4.0.tar.xz was made: a store written by the program's version 0.4.0, and what it showed of it.

Run in a checkout of that version, with the packages of its `.ci/constraints.txt`:

    git worktree add /tmp/everymetre-0.4.0 0bfbbc5
    cd /tmp/everymetre-0.4.0
    PYTHONPATH=. python THIS_FILE OUT_FOLDER

Two lines run for 105 s across a full hour: drums that end before and after it, findings, alarms with what people did,
a change of limits, drums put on pay-offs, a rejected message. One hour and two drums are files, the rest is in SQLite.
"""

import dataclasses
import hashlib
import json
import sys
import tarfile
from pathlib import Path

from monitor.contract.limits import limits_of
from monitor.contract.schema import JOURNAL
from monitor.shell.reader import StoreReader
from sqlalchemy import select
from tests.core.story import T0, Story

from monitor.contract.config import Recipe
from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival
from monitor.shell import rollup
from tests.core import test_pipeline, test_whole_cable
from tests.shell.works import desk_at, settings_at, take

START_S = T0 + 3600 - 60  # the hour is full after 60 s
LINES = ("core-1", "lay-1")
STREAMS = ("core-1/oven-b/temperature", "core-1/take-up/tension", "lay-1/bow/speed")
SECONDS = 105


def core(story: Story, s: int) -> None:
    """What is added to the ordinary run of a core line."""
    at = START_S + s
    if s in (30, 75):
        story.say("spark-electrode/spark-fault", at + 0.3, 1)
    if s in (40, 90):
        drum = "C1/2 Ø" if s == 40 else "C1-0003"
        story.tell("take-up/drum", at, drum=drum, recipe="core-2g5", planned_length_m=300)
    if 50 <= s < 56:
        story.say("oven-a/pressure-of-nothing", at, 1.0)  # an unknown stream: rejected
    if s == 85:
        act = {"alarm": "spark-electrode/spark-fault/spark-fault", "by": "Mira", "reason": "seen"}
        story.tell("operator/action", at, action="acknowledge", **act)
        mark = {"by": "Jan", "reason": "scratch", "start_m": 1100.0, "end_m": 1102.5}
        story.tell("operator/action", at + 0.1, action="mark metres", **mark)
    if s == 65:
        change = {"recipe": "core-2g5", "by": "Mira", "proposal": "P1", "base": 1, "reason": "too tight"}
        story.tell("operator/limits", at, step="propose", changes={"window/oven-b/temperature/hi": 316.0}, **change)
    if s == 67:
        story.tell("operator/limits", at, step="approve", recipe="core-2g5", by="Jan", proposal="P1", reason="agreed")
    if 70 <= s < 82:  # oven B too hot
        story.arrivals = [a for a in story.arrivals if not ("oven-b" in a.topic and a.received_s >= at)]
        story.numbers["oven-b/temperature"] -= 1
        story.say("oven-b/temperature", at, [331.0, 331.0], 0.5)


def laying_up(story: Story, s: int) -> None:
    """What is added to the ordinary run of a laying-up line."""
    if s == 0:
        story.tell("pay-off-a/splice", START_S, drum="C1-0001", left_m=700.0)
        story.tell("pay-off-b/splice", START_S, drum="C2-0001")
    if s == 60:
        story.tell("pay-off-a/splice", START_S + s, drum="C1/2 Ø")
        story.tell("take-up/drum", START_S + s, drum="L1-0002", recipe="laid-2x2g5")
    if s == 70:
        story.say("tape-head/tape-break", START_S + s, 1)


def arrivals() -> list[Arrival]:
    """Both lines' messages in the order in which they came."""
    for module in (test_pipeline, test_whole_cable):
        module.T0 = START_S
    both = test_pipeline.tell(SECONDS, before=core).arrivals
    both += test_whole_cable.laying_up(SECONDS, before=laying_up).arrivals
    return sorted(both, key=lambda a: a.received_s)


def digest(values: list[float]) -> str:
    """Of numbers as Python prints them, which is exact."""
    return hashlib.sha256(repr(values).encode()).hexdigest()


def shown(folder: Path) -> dict[str, object]:
    """All that the reader of this version answers; columns of metres and samples as their length and digest."""
    reader = StoreReader(settings_at(folder))
    lines = {}
    for line in LINES:
        first, verdict = reader.verdicts(line, 0, 1e9)
        rows = reader.rows(line, 0, 1e9)
        lines[line] = {
            "drums": reader.drums(line),
            "findings": sorted(reader.findings(line, -1e9, 1e9), key=lambda f: f.key),
            "alarm_changes": sorted(reader.alarm_changes(line, 0, 10**15, 10**6), key=lambda a: (a.t_ms, a.alarm)),
            "alarms_now": sorted(reader.alarms_now(line), key=lambda a: a.alarm),
            "states": reader.states(line, 0, 10**15),
            "gaps": reader.gaps(line, 0, 10**15),
            "splices": reader.splices(line, -1e9, 1e9),
            "rows": {name: [len(v), digest(v.tolist())] for name, v in sorted(rows.items())},
            "verdict": [first, len(verdict), digest(verdict.tolist())],
        }
    trends = {name: reader.samples(Stream(*name.split("/")), 0, 10**15) for name in STREAMS}
    samples = {name: [len(t.v), digest(t.t_ms.tolist()), digest(t.v.tolist())] for name, t in trends.items()}
    with reader.engine.connect() as connection:
        journal = [row.hash for row in connection.execute(select(JOURNAL).order_by(JOURNAL.c.line, JOURNAL.c.seq))]
    works = {"rejected": reader.rejected(), "proposals": reader.proposals(), "in_force": reader.came_into_force()}
    return {"lines": lines, "samples": samples, "journal": journal, **works}


def plain(value: object) -> object:
    """What JSON does not know by itself."""
    if isinstance(value, Recipe):
        return {"recipe": value.recipe, "revision": value.revision, "limits": limits_of(value)}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    raise TypeError(f"expected what a reader answers, got {value!r}")


def main(out: Path) -> None:
    """Write the store and what it shows, then pack both."""
    folder = out / "record"
    desk = desk_at(folder, lines=LINES)
    desk.writer.keep_revisions(desk.configuration.recipes.values(), START_S)
    take(desk, arrivals())
    desk.writer.write(desk.last_batch())
    desk.roll()
    rollup.roll_hours(desk.writer.engine, folder, 0)
    desk.writer.close()
    (folder / "shown.json").write_text(json.dumps(shown(folder), default=plain, indent=1, ensure_ascii=False))
    for name in ("record.sqlite-wal", "record.sqlite-shm"):
        (folder / name).unlink(missing_ok=True)
    with tarfile.open(out / "record-0.4.0.tar.xz", "w:xz", preset=9) as archive:
        archive.add(folder, "record")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
