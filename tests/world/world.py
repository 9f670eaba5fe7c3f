"""One works under a seed: processor, store, wire, clock and disk in one process, with what goes wrong in a works.

The run is the same to the bit for the same seed: virtual time, one thread, one random generator.
"""

import asyncio
import contextlib
import random
import re
import shutil
import sqlite3
import tempfile
import traceback
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import pytest

from monitor.contract.config.works import Store
from monitor.core.arrival import Arrival
from monitor.core.engine import Engine
from monitor.shell import processor as processor_module
from monitor.shell import service as service_module
from monitor.shell.processor import Processor
from monitor.shell.restore import restore
from monitor.shell.service import Service
from monitor.store import manifest, parquet_files
from monitor.store.database import FILE, open_for_writing
from monitor.store.ledger import Reports
from monitor.store.reader import StoreReader
from monitor.store.writer import Batch, Writer
from tests.shell import works
from tests.shell.works import take
from tests.world.disk import Disk, Killed, database_steps, file_steps
from tests.world.loop import InlineExecutor, VirtualLoop
from tests.world.older import OLDER, go_back
from tests.world.stories import SHORT, Kind, Message, story
from tests.world.wire import Broker, Gateway, WorldLink
from tests.world.works import LINE, configuration

STORIES = 8
SPEED = 1500.0  # line time per virtual second
TAIL_S = 0.1  # virtual, in which troubles may still come when the story has ended
FRESH_EVERY = 7  # one world in so many begins without a store; the others begin with an empty one
PAGE_BYTES = 1024  # of that: a small file is copied, checked and sealed sooner
START_STEPS = 30  # of the store in a start, more or less
UPGRADE_STEPS = 100
END_WITHIN_S = 400.0
SHARED = Path("/dev/shm")

TROUBLES = (
    "kill", "kill", "kill in a step", "kill in a step", "kill in a step", "stop", "stop and kill", "edit",
    "broker", "cut monitor", "cut gateway", "full disk", "no snapshot", "damaged snapshot", "broker and monitor",
    "kill in the next start",
)  # fmt: skip
WIDER_FROM = 500  # seeds before it keep the troubles under which something was found
WIDER_TROUBLES = (*TROUBLES, "upgrade", "edit of the line")
SURVIVED = ("broker", "cut monitor", "cut gateway")  # by the process


def temporary() -> Path:
    """A folder in memory where the machine has one: nothing here needs the real disk's patience."""
    return Path(tempfile.mkdtemp(prefix="everymetre-world-", dir=SHARED if SHARED.is_dir() else None))


@dataclass(slots=True)
class Report:
    """What a run came to."""

    seed: int
    troubles: list[str] = field(default_factory=list)
    starts: int = 0
    lost: list[tuple[str, int]] = field(default_factory=list)
    doubled: list[tuple[str, int]] = field(default_factory=list)
    differs: list[str] = field(default_factory=list)
    kept: int = 0  # messages that the gateway still has when everything was given its time
    raised: str = ""  # the traceback of what the service or the judge raised

    @property
    def sound(self) -> bool:
        return not (self.lost or self.doubled or self.differs or self.kept or self.raised)


def unsound(seeds: Iterable[int], kind: Kind) -> list[Report]:
    """Reports of the worlds in which something is wrong."""
    worlds = (World(seed, kind) for seed in seeds)
    return [world.report for world in worlds if not world.run().sound]


@dataclass(slots=True)
class Clock:
    """UTC seconds of the world; the machine's clock is never stepped here."""

    loop: VirtualLoop
    t0_s: float
    step_s: float = 0.0

    def __call__(self) -> float:
        return self.t0_s + self.loop.time() * SPEED


class World:
    """Everything of one run. `fresh()` is a new process over the store as it was left."""

    def __init__(self, seed: int, kind: Kind = SHORT) -> None:
        self.rng = random.Random(seed)
        self.report = Report(seed)
        self.kind = kind
        self.duration_s = kind.length_s / SPEED + TAIL_S
        self.messages = messages_of(seed % STORIES, kind)
        self.root = temporary()
        self.folder = self.root / "0"
        self.folder.mkdir()
        if seed % FRESH_EVERY:
            (self.folder / FILE).write_bytes(empty_store())
        self.loop = VirtualLoop()
        self.broker = Broker(self.rng, self.rng.choice((0.0, 0.02, 0.2)))
        self.troubles: tuple[str, ...] = TROUBLES
        if seed >= WIDER_FROM:
            self.troubles = WIDER_TROUBLES
            self.broker.reorder = self.rng.choice((0.0, 0.0, 0.0, 0.1))
        self.clock = Clock(self.loop, kind.t0_s)
        self.gateway = Gateway(self.broker, "tarn", LINE, self.messages, self.clock, SPEED)
        self.slow_s = self.rng.choice((0.0, 0.0, 0.0, 0.001))
        self.disk = self._disk()
        self.snapshot = ""  # what happens to it before the next start
        self.older: int | None = None  # version of the program before the next start
        self.dies_at_start = False
        self.recipe_revision = self.line_revision = 1

    def _disk(self) -> Disk:
        disk = Disk(self.folder, self.rng, self.loop.pass_time, self.slow_s)
        disk.committed()  # what a process finds has survived
        return disk

    def _present_disk(self) -> Disk:
        return self.disk

    # ---- one process ------------------------------------------------------------------------------------

    def service(self) -> Service:
        """A process that starts: reads the store, and is killed while it does so where the disk says so."""
        self.report.starts += 1
        c = configuration(str(self.folder), self.kind, self.recipe_revision, self.line_revision)
        writer = Writer(c.works.store, [LINE])
        write = writer.write

        def counted(batch: Batch) -> Reports:
            done = write(batch)
            self.disk.committed()
            return done

        writer.write = counted  # type: ignore[method-assign]
        self.writer = writer
        engine = Engine({LINE: restore(writer, c, LINE, lambda _: None)})
        self.link = WorldLink(self.broker, self.clock)
        service = Service(
            processor=Processor(configuration=c, writer=writer, engine=engine), link=self.link, clock=self.clock
        )
        service.thread = InlineExecutor()
        return service

    def bury(self) -> None:
        """The process is gone: a new one finds what a power cut left."""
        after = self.disk.crashed_copy(self.root / f"{self.report.starts}x{self.rng.randrange(10**9)}")
        self.disk.dead = True
        with contextlib.suppress(Killed):
            self.writer.engine.dispose()
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder = after
        self.disk = self._disk()
        if self.dies_at_start:
            self.dies_at_start, self.disk.kill_after = False, self.rng.randrange(START_STEPS)

    # ---- the run ----------------------------------------------------------------------------------------

    def run(self) -> Report:
        try:
            with file_steps(self._present_disk), database_steps(self._present_disk), quick_rounds(self.rng):
                self.loop.run_until_complete(self._run())
            self._judge()
        except (Exception, Killed):  # noqa: BLE001 - a world that raises is not sound, and others are still to run
            self.report.raised = traceback.format_exc()
        finally:
            self.loop.close()
            shutil.rmtree(self.root, ignore_errors=True)
        return self.report

    async def _run(self) -> None:
        tasks = [asyncio.create_task(self.gateway.produce()), asyncio.create_task(self.gateway.stay_connected())]
        try:
            times = deque(sorted(self.rng.uniform(0.0, self.duration_s) for _ in range(self.rng.randrange(7))))
            while times:
                await self._live(times)
            while not await self._live(times):
                pass
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _live(self, times: "deque[float]") -> bool:
        """One process from its start to the first of its troubles that ends it; without any, until all is stored.

        False where it was killed before it had started.
        """
        try:
            service = self.service()
        except Killed:
            self.bury()
            return False
        self.disk.kill_after = None
        work = asyncio.create_task(service.run())
        try:
            if not times:
                await self._until_stored(work)
            while times and not work.done():
                await asyncio.wait({work}, timeout=max(times.popleft() - self.loop.time(), 0.0))
                if not work.done() and await self._trouble(work) not in SURVIVED:
                    break
        finally:
            await self._end(work)
        return True

    async def _until_stored(self, work: "asyncio.Task[None]") -> None:
        limit = self.loop.time() + END_WITHIN_S
        while not work.done() and self.loop.time() < limit:
            await asyncio.sleep(0.25)
            box = self.gateway.sender.outbox
            if self.loop.time() > self.duration_s + 0.5 and len(box) == 0:
                break
        self.report.kept = len(self.gateway.sender.outbox)

    async def _trouble(self, work: "asyncio.Task[None]") -> str:
        """What happened."""
        what = self.rng.choice(self.troubles)
        self.report.troubles.append(f"{self.loop.time():.3f} {what}")
        if what == "kill in a step" or what == "stop and kill":
            self.disk.kill_after = self.rng.randrange(60)
            if what == "stop and kill":
                work.cancel()
            await asyncio.wait({work}, timeout=3.0)
        elif what == "broker":
            self.broker.kill()
            await asyncio.sleep(self.rng.uniform(0.0, 1.0))
            self.broker.start()
        elif what == "cut monitor":
            self.link.cut.set()
            await asyncio.sleep(self.rng.uniform(0.0, 2.0))
        elif what == "cut gateway":
            self.gateway.cut.set()
            await asyncio.sleep(self.rng.uniform(0.0, 2.0))
        elif what == "full disk":
            self.disk.full = True
            await asyncio.sleep(self.rng.uniform(0.0, 3.0))
            if self.rng.random() < 0.5:
                work.cancel()
                await asyncio.wait({work}, timeout=30.0)
            self.disk.full = False
        else:
            self._change(what)
        return what

    def _change(self, what: str) -> None:
        """The process ends, by a kill where nothing else is said, and the next one finds something changed."""
        if what == "edit":
            self.recipe_revision += 1
        elif what == "edit of the line":
            self.line_revision += 1
        elif what == "upgrade":
            self.older, self.disk.dead = self.rng.choice(OLDER), self.rng.random() < 0.5
        else:
            self.disk.dead = True
            if what == "broker and monitor":
                self.broker.kill()
                self.broker.start()
            elif what in ("no snapshot", "damaged snapshot"):
                self.snapshot = what
            elif what == "kill in the next start":
                self.dies_at_start = True

    async def _end(self, work: "asyncio.Task[None]") -> None:
        self.link.dead = self.disk.dead
        work.cancel()
        result = (await asyncio.gather(work, return_exceptions=True))[0]
        self.link.dead = True
        if self.disk.dead:
            self.bury()
        else:
            self.disk.kill_after = None
            if isinstance(result, BaseException) and not _of_the_disk(result):
                raise result
            self.disk.committed()
        if self.snapshot:
            self._harm_snapshot()
        if self.older is not None and (self.folder / FILE).exists():
            go_back(self.folder, self.older)
            self.older, self.disk = None, self._disk()
            self.disk.kill_after = self.rng.choice((None, self.rng.randrange(UPGRADE_STEPS)))

    def _harm_snapshot(self) -> None:
        """An older program's snapshot cannot be read either: it is as if there were none."""
        what, self.snapshot = self.snapshot, ""
        with contextlib.closing(sqlite3.connect(self.folder / "record.sqlite")) as c:
            found = c.execute("select name from sqlite_master where name = 'checkpoint'").fetchone()
            state = c.execute("select state from checkpoint").fetchone() if found else None
            if state is not None and state[0]:
                harmed = bytearray(state[0])
                harmed[self.rng.randrange(len(harmed))] ^= 1 << self.rng.randrange(8)
                c.execute("update checkpoint set state = ?", (bytes(harmed) if what[0] == "d" else b"",))
                c.commit()
        self.disk = self._disk()

    # ---- afterwards -------------------------------------------------------------------------------------

    def _judge(self) -> None:
        if self.rng.random() < 0.25:  # the record says the same before and after
            roll(self.folder, self.kind)
        held = stored_numbers(self.folder)
        times = Counter((path, n) for path, n, _ in held)
        sent = {(m.path, m.n): m for m in self.messages}
        self.report.lost = sorted(sent.keys() - times.keys())
        self.report.doubled = sorted(one for one, count in times.items() if count > 1)
        wanted = undisturbed(self.report.seed % STORIES, self.kind)
        if self.broker.reorder:  # messages count in the order in which they came
            in_order = sorted(held, key=lambda one: one[2])
            wanted = record_of([sent[path, n] for path, n, _ in in_order], self.kind)
        found = everything(self.folder)
        # Snapshots of older layouts know no events: those that were open then go on without what belongs to them.
        unlike = {"events"} if any("upgrade" in trouble for trouble in self.report.troubles) else set()
        self.report.differs = [name for name, value in wanted.items() if name not in unlike and found[name] != value]


@contextlib.contextmanager
def quick_rounds(rng: random.Random) -> Iterator[None]:
    """Snapshots, moves into files and looks at files, as often in the hour of a story as in days of a works."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(processor_module, "CHECKPOINT_EVERY_S", rng.choice((30.0, 300.0, 1000.0)))
        patch.setattr(service_module, "ROLL_EVERY_S", rng.choice((0.3, 1.0, 3.0)))
        patch.setattr(manifest, "LOOK_FILES", 1)
        yield


def roll(folder: Path, kind: Kind) -> None:
    """Move into files whatever is due."""
    c = configuration(str(folder), kind)
    writer = Writer(c.works.store, [LINE])
    Processor(configuration=c, writer=writer, engine=Engine({})).roll()
    writer.close()


def _of_the_disk(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return all(_of_the_disk(e) for e in error.exceptions)
    return isinstance(error, OSError | asyncio.CancelledError)


def stored_numbers(folder: Path) -> set[tuple[str, int, int]]:
    """Path, number and id of each message of the gateway: in the database, in files of hours, or for now in both.

    It is in both where a process ended between writing a file and deleting what lies in it: the same message still.
    """
    query = "select station || '/' || quantity, n, id from message where station != 'monitor'"
    with contextlib.closing(sqlite3.connect(folder / FILE)) as c:
        held = set(c.execute(query))
    for path in (folder / "lines" / LINE).rglob("*.parquet"):
        table = parquet_files.read(path, ["station", "quantity", "n", "id"])
        columns = (table[name].to_pylist() for name in table.column_names)
        for station, quantity, n, message_id in zip(*columns, strict=True):
            if station != "monitor":
                held.add((f"{station}/{quantity}", n, message_id))
    return held


def everything(folder: Path) -> dict[str, Any]:
    """All that the record says of the line but for the monitor's word on itself."""
    reader, whole = StoreReader(Store(folder=str(folder))), cache(parquet_files.read)
    with pytest.MonkeyPatch.context() as patch:  # rows, verdicts and drums each read the files of all drums
        patch.setattr(parquet_files, "read_or_log", lambda path, _: whole(path))
        found = works.everything_of(reader, LINE)
    reader.close()
    # An edit changes the revision that is in force and nothing else that the record says.
    found["drums"] = [replace(drum, revision=0) for drum in found["drums"]]
    for name in ("changes", "now"):
        found[name] = [re.sub(r"revision=\d+", "revision=0", change) for change in found[name]]
    return found


@cache
def empty_store() -> bytes:
    """SQLite's file of a store without rows."""
    with tempfile.TemporaryDirectory() as folder:
        open_for_writing(Store(folder=folder)).dispose()
        path = Path(folder) / FILE
        with contextlib.closing(sqlite3.connect(path)) as c:
            c.executescript(f"pragma journal_mode=delete; pragma page_size={PAGE_BYTES}; vacuum")
        return path.read_bytes()


@lru_cache(maxsize=2 * STORIES)
def messages_of(number: int, kind: Kind) -> list[Message]:
    return story(number, kind)


@lru_cache(maxsize=2 * STORIES)
def undisturbed(number: int, kind: Kind) -> dict[str, Any]:
    """The record of a story to which nothing happens."""
    return record_of(messages_of(number, kind), kind)


def arrivals_of(messages: Sequence[Message]) -> list[Arrival]:
    """Messages that come without delay."""
    return [Arrival(f"tarn/{LINE}/{m.path}", m.payload, m.send_s) for m in messages]


def record_of(messages: Sequence[Message], kind: Kind) -> dict[str, Any]:
    """The record of messages that come in this order to a works to which nothing happens."""
    folder = temporary()
    c = configuration(str(folder), kind)
    writer = Writer(c.works.store, [LINE])
    processor = Processor(
        configuration=c, writer=writer, engine=Engine({LINE: restore(writer, c, LINE, lambda _: None)})
    )
    take(processor, arrivals_of(messages), 60)
    writer.write(processor.last_batch())
    processor.roll()
    writer.close()
    found = everything(folder)
    shutil.rmtree(folder)
    return found
