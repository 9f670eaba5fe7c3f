"""A works that is disturbed at random while a line sends: kills, stops, upgrades and edits, by a seed.

What comes of it is compared with a run that nothing disturbed. Revision numbers are left out of the comparison, since
an edit takes one that the undisturbed run gives to the next change of limits.
"""

import random
import re
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from sqlalchemy import delete, func, select, update

from monitor.contract.config.content import differences_of
from monitor.contract.config.load import load
from monitor.contract.config.recipe import Recipe
from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival
from monitor.store.database import open_for_reading, open_for_writing
from monitor.store.rolling import roll_drums, roll_hours
from monitor.store.schema import CHECKPOINT, IN_FORCE, MESSAGE, PROPOSAL, REVISION
from tests.shell import postgres
from tests.shell.brokers import Process, broker, ended, monitor
from tests.shell.long_script import LIMIT, LINE, MESSAGES_PER_S, RECIPE
from tests.shell.test_kills import gateway, prepared
from tests.shell.test_restart_law import as_version_9
from tests.shell.works import SERVER, everything, numbers_stored, processor_at, settings_at, take, until

DATABASES = ("sqlite", "postgresql")
PER_S = 520.0  # messages, on the wall, whatever is disturbed: 500 also from the first sent to the last stored
BETWEEN_S = (3.0, 20.0)  # from the end of one disturbance to the next
LOOK_EVERY_S = 1.0
KEEP_HOURS = 0.1  # of line time, which passes some 36 times as fast
ROLL_EVERY = 20_000
FILES = "configuration files"
Record = dict[str, Any]


@dataclass(kw_only=True)
class Outcome:
    """What a disturbed run came to. `differences` says by part of the record where it is not the undisturbed one.

    `wall_s` is from the first message sent to the last stored; `hours` were moved into files by then.
    """

    messages: int
    wall_s: float
    disturbances: "Counter[str]"
    hours: int
    lost: int
    doubled: int
    differences: dict[str, str]

    @property
    def is_equal(self) -> bool:
        return not (self.lost or self.doubled or self.differences)


# ---- the works ---------------------------------------------------------------------------------------------------


@dataclass
class Works:
    """Broker, monitor and gateway in a folder, with what was done to them."""

    folder: Path
    configs: Path
    parts: dict[str, Process]
    rng: random.Random
    log: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.store = self.folder / "run" / "store"
        self.settings = settings_at(self.store)
        self.recipe_file = self.configs / "recipes" / f"{RECIPE}.toml"
        self.reader = open_for_reading(self.settings)

    @property
    def monitor(self) -> Process:
        return self.parts["monitor"]

    def stored(self) -> int:
        """How many messages of the line are in the ledger."""
        with suppress(Exception):  # not there yet
            return numbers_stored(self.reader)[LINE]
        return 0

    def start_monitor(self) -> None:
        """Until it has met its broker; a broker that was away has made the one before meet it more than once."""
        met = self.monitor.output.count("connected to")
        self.monitor.ready = lambda: self.monitor.output.count("connected to") > met
        self.monitor.start()

    def has_stored(self, count: int, within_s: float) -> bool:
        """Wait until so many messages are stored, at most so long. AssertionError where a part ends by itself."""
        deadline_s = time.monotonic() + within_s
        while self.stored() < count:
            assert not self.ended, f"{self.ended} ended: {self.parts[self.ended].output}"
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                return False
            time.sleep(min(LOOK_EVERY_S, left_s))  # on other processes
        return True

    @property
    def begun_s(self) -> float:
        """When the gateway began to send, in UTC seconds."""
        return float((self.folder / "left" / "begun").read_text())

    def hour_files(self) -> int:
        return len(list((self.store / "lines" / LINE).rglob("*.parquet")))

    @property
    def ended(self) -> str:
        """The name of a part that has ended, if there is one."""
        return next((name for name, part in self.parts.items() if not part.alive), "")

    def stop(self) -> None:
        assert self.monitor.end() == 0, self.monitor.output

    def changed(self) -> tuple[object, ...]:
        """What a monitor that refuses to start must leave alone."""
        queries = (
            select(func.max(MESSAGE.c.id)), select(func.count()).select_from(REVISION),
            select(func.count()).select_from(IN_FORCE), select(CHECKPOINT.c.state).where(CHECKPOINT.c.line == LINE),
        )  # fmt: skip
        with self.reader.connect() as connection:
            return tuple(connection.execute(query).scalar() for query in queries)


@contextmanager
def works_at(folder: Path, kind: str, database: str, arrivals: Sequence[Arrival], seed: int) -> Iterator[Works]:
    """Everything started; ended with the block."""
    with _server(database) as address:
        configs, port = prepared(folder)
        if address:
            (folder / "run").mkdir()
            (folder / "run" / SERVER).write_text(address)
            url = settings_at(folder / "run" / "store").database_url
            file = configs / "works.toml"
            file.write_text(file.read_text().replace("[store]\n", f'[store]\ndatabase_url = "{url}"\n'))
        _keep_less(configs / "works.toml")
        parts = {
            "broker": broker(kind, folder, port),
            "monitor": monitor(configs, folder),
            "gateway": gateway(folder, port, list(arrivals), PER_S / MESSAGES_PER_S, keeps_pace=True),
        }
        works = Works(folder, configs, parts, random.Random(seed))
        try:
            for part in parts.values():
                part.start()
            until((folder / "left" / "begun").exists, 30, "the gateway's first message")
            yield works
        finally:
            for part in parts.values():
                part.close()
            works.reader.dispose()


def _keep_less(works: Path) -> None:
    """Hours move into files while the run lasts."""
    text = works.read_text()
    works.write_text(re.sub(r"raw_hours_in_database = .*", f"raw_hours_in_database = {KEEP_HOURS}", text))
    assert works.read_text() != text


@contextmanager
def _server(database: str) -> Iterator[str | None]:
    if database == "sqlite":
        yield None
        return
    with postgres.running() as address:
        yield address


# ---- disturbances ------------------------------------------------------------------------------------------------


def kill_monitor(works: Works) -> None:
    works.monitor.kill()


def kill_broker(works: Works) -> None:
    works.parts["broker"].kill()
    works.parts["broker"].start()


def kill_gateway(works: Works) -> None:
    works.parts["gateway"].kill()
    works.parts["gateway"].start()


def stop(works: Works) -> None:
    works.stop()


def kill_while_stopping(works: Works) -> None:
    process = works.monitor.process
    assert process is not None
    process.send_signal(signal.SIGTERM)
    with suppress(subprocess.TimeoutExpired):
        process.wait(works.rng.uniform(0.0, 0.5))
    works.monitor.kill()


def lose_snapshot(works: Works) -> None:
    works.stop()
    _with_snapshot(works, lambda _: None)


def damage_snapshot(works: Works) -> None:
    works.stop()
    _with_snapshot(works, lambda state: works.rng.randbytes(len(state)))


def snapshot_of_older_version(works: Works) -> None:
    works.stop()
    _with_snapshot(works, as_version_9)


def _with_snapshot(works: Works, change: Callable[[bytes], bytes | None]) -> None:
    works.reader.dispose()  # reading SQLite's file past SQLite, as opening does, ends the locks of this process on it
    engine, c = open_for_writing(works.settings), CHECKPOINT.c
    with engine.begin() as connection:
        state = connection.execute(select(c.state).where(c.line == LINE)).scalar()
        if state is not None:
            new, mine = change(bytes(state)), c.line == LINE
            how = delete(CHECKPOINT) if new is None else update(CHECKPOINT).values(state=new)
            connection.execute(how.where(mine))
    engine.dispose()


def edit_title(works: Works) -> None:
    """The recipe in force gets a new revision with another title: accepted, and reported. Not amid a proposal."""
    works.stop()
    known, in_force, proposed = _revisions(works)
    if proposed:
        return
    _write_recipe(works, known + 1, in_force, f"Silicone core 2.5 mm2 ({known + 1})")
    keys = set(differences_of(in_force, _recipe_of_file(works)))
    assert keys <= {"revision", "title"}, keys
    works.start_monitor()
    assert f"recipe {RECIPE} revision {known + 1} is in force from metre" in works.monitor.output


def edit_under_same_number(works: Works) -> None:
    """Another content under a revision on record: exit code 2, nothing is changed; then the file is put back."""
    works.stop()
    before, text = works.changed(), works.recipe_file.read_text()
    works.recipe_file.write_text(text.replace("index_warn = 1.2", "index_warn = 1.25"))
    assert works.recipe_file.read_text() != text
    refused = ended(works.monitor.words, within_s=20)
    assert refused.returncode == 2, refused.stdout + refused.stderr
    assert f"recipes/{RECIPE}.toml" in refused.stderr + refused.stdout
    assert works.changed() == before
    works.recipe_file.write_text(text)


def _revisions(works: Works) -> tuple[int, Recipe, bool]:
    """(the greatest revision on record, the recipe in force, whether a proposal is open)."""
    f, r, p = IN_FORCE.c, REVISION.c, PROPOSAL.c
    with works.reader.connect() as connection:
        mine = (f.line == LINE, f.recipe == RECIPE)
        newest = connection.execute(select(f.revision, f.text).where(*mine).order_by(f.revision.desc())).first()
        file = connection.execute(select(func.max(r.revision)).where(r.recipe == RECIPE)).scalar() or 0
        proposed = connection.execute(select(p.proposal).where(p.line == LINE, p.state == "proposed")).first()
    recipe = Recipe.model_validate_json(newest.text) if newest else _recipe_of_file(works)
    return max(file, newest.revision if newest else 0), recipe, proposed is not None


def _recipe_of_file(works: Works) -> Recipe:
    return load(works.configs).recipes[RECIPE]


def _write_recipe(works: Works, revision: int, content: Recipe, title: str) -> None:
    stream, side = LIMIT.removeprefix("window/").rsplit("/", 1)
    limit = next(w.hi for w in content.window if w.stream == stream)
    text = works.recipe_file.read_text()
    text = re.sub(r"(?m)^revision = .*$", f"revision = {revision}", text, count=1)
    text = re.sub(r"(?m)^title = .*$", f'title = "{title}"', text, count=1)
    text = re.sub(rf'(?s)(stream = "{stream}".*?\n{side} = )[0-9.]+', rf"\g<1>{limit}", text, count=1)
    works.recipe_file.write_text(text)


DISTURBANCES: Mapping[str, tuple[int, Callable[[Works], None]]] = {
    "kill monitor": (4, kill_monitor),
    "kill broker": (3, kill_broker),
    "kill gateway": (3, kill_gateway),
    "stop": (3, stop),
    "kill while stopping": (3, kill_while_stopping),
    "upgrade, no snapshot": (2, lose_snapshot),
    "upgrade, damaged snapshot": (1, damage_snapshot),
    "upgrade, older snapshot": (2, snapshot_of_older_version),
    "edit of a title": (2, edit_title),
    "edit under the same number": (2, edit_under_same_number),
}


def disturb(works: Works, total: int, report: Callable[[str], None]) -> "Counter[str]":
    """Disturb until all messages are stored; returns what was done.

    AssertionError where a part does not come back, or the messages take far longer than they were sent in.
    """
    done: Counter[str] = Counter()
    deadline_s = works.begun_s + 10 * total / PER_S + 1200
    names, weights = list(DISTURBANCES), [weight for weight, _ in DISTURBANCES.values()]
    seen = -1
    while not works.has_stored(total, works.rng.uniform(*BETWEEN_S)):
        stored = works.stored()
        assert time.time() < deadline_s, f"{stored} of {total} messages are stored"
        if stored == seen:  # a busy machine has not come as far as storing anything since the last
            continue
        (name,) = works.rng.choices(names, weights)
        report(f"{time.time() - works.begun_s:.0f} s, {stored} messages: {name}")
        DISTURBANCES[name][1](works)
        if not works.monitor.alive:
            works.start_monitor()
        seen = works.stored()
        done[name] += 1
    return done


# ---- what comes of it --------------------------------------------------------------------------------------------


def undisturbed(folder: Path, arrivals: Sequence[Arrival]) -> Record:
    """The record of a run in this process that nothing disturbs."""
    processor = processor_at(folder)
    for start in range(0, len(arrivals), ROLL_EVERY):
        take(processor, arrivals[start : start + ROLL_EVERY], 400)
        processor.roll()
    processor.writer.write(processor.last_batch())
    processor.roll()
    processor.writer.close()
    return comparable(folder)


def run(
    folder: Path, kind: str, database: str, arrivals: Sequence[Arrival], seed: int, wanted: Record,
    report: Callable[[str], None] = lambda _: None,
) -> Outcome:  # fmt: skip
    """One disturbed run, to the end of the script."""
    with works_at(folder, kind, database, arrivals, seed) as works:
        done = disturb(works, len(arrivals), report)
        wall_s, hours = time.time() - works.begun_s, works.hour_files()
        works.stop()
        _roll(works)
        counts = Counter(_numbers(works))
        lost = len(arrivals) - len(counts)
        doubled = sum(counts.values()) - len(counts)
        differences = compare(wanted, comparable(works.store))
    return Outcome(
        messages=len(arrivals), wall_s=wall_s, disturbances=done, hours=hours, lost=lost, doubled=doubled,
        differences=differences,
    )  # fmt: skip


def _roll(works: Works) -> None:
    """What the monitor would have moved into files with its next look."""
    works.reader.dispose()
    engine = open_for_writing(works.settings)
    roll_drums(engine, works.store)
    roll_hours(engine, works.store, round(KEEP_HOURS * 3_600_000))
    engine.dispose()


def _numbers(works: Works) -> Iterator[tuple[str, str, int, int]]:
    """(station, quantity, start, n) of every message kept, once for each time it was given an id."""
    found: set[tuple[int, str, str, int, int]] = set()
    for path in sorted((works.store / "lines" / LINE).rglob("*.parquet")):
        table = pq.read_table(path, columns=["id", "station", "quantity", "start", "n"])
        columns = [table[name].to_pylist() for name in table.column_names]
        found |= {(i, s, q, start or 0, n) for i, s, q, start, n in zip(*columns, strict=True)}
    m = MESSAGE.c
    with works.reader.connect() as connection:
        rows = connection.execute(select(m.id, m.station, m.quantity, m.n).where(m.line == LINE))
        found |= {(r.id, r.station, r.quantity, 0, r.n) for r in rows}
    return ((s, q, start, n) for _, s, q, start, n in found if s != MONITOR)


def comparable(folder: Path) -> Record:
    """All that the record says of the line, without numbers of revisions, with the limits that people changed."""
    found = everything(folder, LINE)
    record: Record = {"rows": found["rows"], "verdict": found["verdict"]}
    for name in ("drums", "findings", "changes", "now", "states", "gaps"):
        texts: list[str] = [x if isinstance(x, str) else repr(x) for x in found[name]]
        record[name] = sorted(_plain(text) for text in texts)
    engine, f = open_for_reading(settings_at(folder)), IN_FORCE.c
    wanted = select(f.recipe, f.t_ms, f.line_metre, f.by_whom, f.approved_by, f.reason, f.changes)
    with engine.connect() as connection:
        rows = connection.execute(wanted.where(f.line == LINE, f.by_whom != FILES).order_by(f.t_ms))
        record["limits"] = [repr(tuple(row)) for row in rows]
    engine.dispose()
    return record


def _plain(text: str) -> str:
    """Without numbers of revisions, and to the micrometre: an engine made from the record counts its metres anew."""
    text = re.sub(r"\brevision=\d+", "revision=*", text)
    return re.sub(r"\d+\.\d{7,}", lambda number: f"{float(number[0]):.6f}", text)


def compare(wanted: Record, found: Record) -> dict[str, str]:
    """Where two records differ, by part."""
    differences = {}
    for name in ("drums", "findings", "changes", "now", "states", "gaps", "limits"):
        expected, got = Counter[str](wanted[name]), Counter[str](found[name])
        missing, extra = expected - got, got - expected
        if missing or extra:
            lines = [f"- {x}" for x in list(missing)[:6]] + [f"+ {x}" for x in list(extra)[:6]]
            differences[name] = f"{missing.total()} missing, {extra.total()} extra\n" + "\n".join(lines)
    columns = {**wanted["rows"], "verdict": wanted["verdict"][1]}, {**found["rows"], "verdict": found["verdict"][1]}
    for name in sorted(columns[0] | columns[1]):
        difference = _where(columns[0].get(name, []), columns[1].get(name, []))
        if difference:
            differences[f"rows {name}"] = difference
    return differences


def _where(wanted: Sequence[float | None], found: Sequence[float | None]) -> str:
    if len(wanted) != len(found):
        return f"{len(wanted)} rows expected, {len(found)} found"
    a, b = (np.array(x, dtype=np.float64) for x in (wanted, found))
    at = np.flatnonzero(~((a == b) | (np.isnan(a) & np.isnan(b))))
    if not len(at):
        return ""
    return f"{len(at)} of {len(a)} rows, first {at[:5].tolist()}, last {at[-1]}: {a[at[0]]} expected, {b[at[0]]} found"
