"""One law of a restart: whatever it finds, the line goes on where it was, and what was given out stays as it was.

A story of hours of line time at a coarse sampling is rolled into files on the way. It is stopped at any message and
started again with the same program, with a snapshot of an older version, a damaged one or none, with an edited recipe,
or with an edited line.
"""

import dataclasses
import re
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete, select, update

from monitor.contract.config.configuration import Configuration
from monitor.core import snapshot
from monitor.core.arrival import Arrival
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import every
from monitor.shell import service
from monitor.shell.restore import restore
from monitor.shell.service import Desk
from monitor.store.reader import StoreReader
from monitor.store.schema import CHECKPOINT, METRE_BLOCK
from monitor.store.writer import Writer
from tests.core.story import T0, Story
from tests.shell.works import everything, settings_at, stored_at, take
from tests.store.test_journal import rows_of

LINE, BLOCK_S, HOURS = "lay-1", 30.0, 3.5
TOGETHER = 60  # messages of a batch
KEPT_HOURS = 1.0
HI = "window/pay-off-a/tension/hi"
MODES = ("same program", "older version", "no snapshot", "damaged snapshot", "edited recipe", "edited line")


# ---- the story ---------------------------------------------------------------------------------------------------


@cache
def story(seed: int) -> list[Arrival]:
    """Drums, pay-off changes, stops, alarms that are acknowledged and shelved, a counter reset, a change of limits."""
    rng, told, L = np.random.default_rng(seed), Story(LINE), 2000.0
    stop_s, reset_s, high_s, long_high_s = rng.uniform(600, HOURS * 3600 - 900, 4)
    doffs = np.sort(rng.uniform(120, 1500 if seed % 2 == 0 else HOURS * 3600, 3))  # even: A3, the last drum is long
    payoffs = np.sort(rng.uniform(60, HOURS * 3600, 4))
    told.tell("line/state", T0, state="running")
    told.tell("take-up/drum", T0, drum="L1-0001", recipe="laid-2x2g5")
    told.tell("pay-off-a/payoff", T0, drum="C1-0001", left_m=700.0)
    told.tell(
        "operator/limits", T0 + 700, step="propose", proposal="P1", recipe="laid-2x2g5", by="Mira", reason="wide",
        changes={HI: 41.0},
    )  # fmt: skip
    told.tell("operator/limits", T0 + 1700, step="approve", proposal="P1", recipe="laid-2x2g5", by="Olle")
    for i, at_s in enumerate(doffs):
        told.tell("take-up/drum", T0 + round(at_s), drum=f"L1-{i + 2:04}", recipe="laid-2x2g5")
    for i, at_s in enumerate(payoffs):
        told.tell(f"pay-off-{'ab'[i % 2]}/payoff", T0 + round(at_s), drum=f"C{i % 2 + 1}-{i + 2:04}")
    _answers(told, high_s, long_high_s)
    for begin in np.arange(0, HOURS * 3600, BLOCK_S):
        t = begin + np.arange(BLOCK_S)
        standing = (t >= stop_s) & (t < stop_s + 240)
        v = np.where(standing, 0.0, 50.0)
        run = L + np.concatenate(([0.0], np.cumsum(v) / 60.0))
        high = ((t >= high_s) & (t < high_s + 300)) | ((t >= long_high_s) & (t < long_high_s + 2400))
        reading = np.where(t >= reset_s, run[:-1] - 1500.0, run[:-1])
        said = {
            "metre-counter/length": (reading, 1.0),
            "metre-counter/speed": (v, 1.0),
            "bow/speed": (312.5 * (v > 0), 1.0),
            "tape-head/speed": (2484.0 * (v > 0), 1.0),
            "pay-off-a/tension": ((np.where(high, 50.0, 31.0) + rng.normal(0, 0.5, len(t)))[::5], 5.0),
            "pay-off-b/tension": (31 + rng.normal(0, 0.5, 6), 5.0),
            "spark-a/voltage": (6.1 + rng.normal(0, 0.01, 30), 1.0),
            "spark-b/voltage": (6.1 + rng.normal(0, 0.01, 30), 1.0),
            "take-up/tension": (200.0 + rng.normal(0, 1, 6), 5.0),
        }
        for path, (values, dt_s) in said.items():
            told.say(path, T0 + begin, values, dt_s)
        if rng.random() < 0.02:
            told.say("spark-a/spark-fault", T0 + begin + 3.0, 1)
        L = float(run[-1])
    return told.sorted()


def _answers(told: Story, high_s: float, long_high_s: float) -> None:
    told.tell("operator/action", T0 + round(high_s + 90), action="acknowledge", by="Mira", alarm="pay-off-a/tension/HI")
    told.tell(
        "operator/action", T0 + round(long_high_s + 120), action="shelve", by="Mira", reason="known",
        alarm="pay-off-a/tension/HI", until=round((T0 + long_high_s + 1500) * 1e3),
    )  # fmt: skip


# ---- a monitor in a folder ---------------------------------------------------------------------------------------


def configured(folder: Path) -> Configuration:
    c = stored_at(folder)
    store = settings_at(folder).model_copy(update={"raw_hours_in_database": KEPT_HOURS})
    return c.model_copy(update={"works": c.works.model_copy(update={"store": store})})


def started(configuration: Configuration, log: list[str]) -> Desk:
    writer = Writer(configuration.works.store, [LINE])
    desk = Desk(configuration, writer, {LINE: restore(writer, configuration, LINE, log.append)})
    writer.keep_revisions(configuration.recipes.values(), T0)
    return desk


def run(desk: Desk, arrivals: list[Arrival]) -> None:
    for start in range(0, len(arrivals), TOGETHER * 5):
        take(desk, arrivals[start : start + TOGETHER * 5], TOGETHER)
        desk.roll()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    @cache
    def of(seed: int) -> dict:
        folder = tmp_path_factory.mktemp("undisturbed")
        run(started(configured(folder), []), story(seed))
        return everything(folder, LINE)

    return of


@dataclass(frozen=True)
class Present:
    """What a restart must keep."""

    drum: object
    recipe: tuple[str, int] | None
    take_up_m: float
    state: str
    silent: bool
    alarms: dict[str, tuple]
    proposals: dict[str, str]


def present(p: Pipeline) -> Present:
    alarms = {
        n: (a.state, a.active, round(a.occurrence_s * 1e3), a.until_s and round(a.until_s * 1e3))
        for n, a in p.book.alarms.items()
        if a.state.value != "normal"
    }
    return Present(
        drum=p.drum and dataclasses.replace(p.drum, start_s=round(p.drum.start_s, 3)),
        recipe=(p.recipe.recipe, p.recipe.revision) if p.recipe else None,
        take_up_m=p.track.now_m + p.line.counter_m - p.line.take_up_m,
        state=p.states.now,
        silent=p.silent,
        alarms=alarms,
        proposals={name: x.state for name, x in p.revisions.proposals.items()},
    )


def as_version_1(data: bytes) -> bytes:
    """The snapshot as version 1 would have written it."""
    _, configuration, tree = snapshot._opened(data)
    for name in ("order", "message", "state change", "drum change", "payoff change", "action", "limits step"):
        for numbered in every(tree, name):
            del numbered["start"]
    for finding in every(tree, "finding"):
        finding["kind"] = finding["kind"][-1]
        del finding["by"], finding["reason"]
    for engine in every(tree, "pipeline"):
        kind, *items = engine["_people"]
        engine["_people"] = [kind, *(x and ["tuple", x[1], x[3]] for x in items)]
    return snapshot._sealed(1, configuration, tree)


def disturb(desk: Desk, mode: str) -> Configuration:
    """Do to the store and the files what the mode is; returns the configuration of the next start."""
    c, table = desk.configuration, CHECKPOINT
    with desk.writer.engine.begin() as connection:
        state = connection.execute(select(table.c.state).where(table.c.line == LINE)).scalar()
        if mode == "no snapshot":
            connection.execute(delete(table))
        if state is not None and mode == "older version":
            connection.execute(update(table).values(state=as_version_1(state)))
        if state is not None and mode == "damaged snapshot":
            connection.execute(update(table).values(state=state[:-1] + bytes([state[-1] ^ 1])))
    if mode == "edited recipe":
        recipe = c.recipes["laid-2x2g5"]
        window = [w.model_copy(update={"hi": 45.0}) if w.stream == HI[7:-3] else w for w in recipe.window]
        edited = recipe.model_copy(update={"revision": 3, "window": window})
        return c.model_copy(update={"recipes": c.recipes | {recipe.recipe: edited}})
    if mode == "edited line":
        line = c.lines[LINE]
        moved = {"capstan": 6.5, "metre-counter": 4.5}
        stations = [s.model_copy(update={"position_m": moved.get(s.name, s.position_m)}) for s in line.station]
        added = line.streams["take-up/tension"].model_copy(
            update={"station": "capstan", "missing_after_s": None, "instrument": None}
        )
        edited = line.model_copy(update={"revision": 2, "station": stations, "stream": [*line.stream, added]})
        return c.model_copy(update={"lines": c.lines | {LINE: edited}})
    return c


# ---- the law -----------------------------------------------------------------------------------------------------


@settings(
    max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
@given(seed=st.integers(0, 1), share=st.floats(0.02, 1.0), mode=st.sampled_from(MODES))
def test_a_restart_goes_on_where_the_line_was(tmp_path_factory, undisturbed, seed, share, mode):
    """A3, A4."""
    arrivals = story(seed)
    at, folder = round(share * len(arrivals)), tmp_path_factory.mktemp("restarted")
    with pytest.MonkeyPatch.context() as m:
        m.setattr(service, "NOW_EVERY_S", 0.0)
        desk = started(configured(folder), [])
        run(desk, arrivals[:at])
        desk.writer.close()  # without a last batch: as kill -9 leaves it
        was, given_out = present(desk.pipelines[LINE]), everything(folder, LINE)
        log: list[str] = []
        again = started(disturb(desk, mode), log)
        holds(mode, was, present(again.pipelines[LINE]), given_out, everything(folder, LINE))
        if mode.startswith("edited"):
            reported(mode, again, log)
        run(again, arrivals[at:])
    ends(mode, folder, everything(folder, LINE), undisturbed(seed), given_out)


def holds(mode: str, was: Present, now: Present, given_out: dict, after: dict) -> None:
    assert now.take_up_m == pytest.approx(was.take_up_m, abs=1e-6)
    if mode == "edited recipe":
        assert now.recipe is None or now.recipe[1] >= was.recipe[1]
        now = dataclasses.replace(now, recipe=was.recipe, alarms=was.alarms)
    assert dataclasses.replace(now, take_up_m=0.0) == dataclasses.replace(was, take_up_m=0.0)
    keeps(given_out, after)


def keeps(given_out: dict, after: dict) -> None:
    """Everything that had been given out is as it was; more may have come."""
    first, verdict = given_out["verdict"]
    assert after["verdict"][0] == first
    assert len(after["verdict"][1]) >= len(verdict)
    for name, column in given_out["rows"].items():
        assert after["rows"][name][: len(column)] == column, name
    ended = [d for d in given_out["drums"] if d.end_m is not None]
    for drum in ended:
        assert dataclasses.replace(drum, metres={}) in [dataclasses.replace(d, metres={}) for d in after["drums"]]
    for name in ("changes", "states", "gaps"):
        assert not [x for x in given_out[name] if x not in after[name]], name
    closed = [f for f in given_out["findings"] if "end_m=None" not in f]
    assert not [f for f in closed if f not in after["findings"]]


def reported(mode: str, desk: Desk, log: list[str]) -> None:
    """What has changed is in force from a metre on, in the log and in the journal."""
    entries = [e.target for e in rows_of(desk) if e.who == "configuration files" and e.line == LINE]
    what = "recipe laid-2x2g5 revision 3" if mode == "edited recipe" else "line revision 2"
    assert any(what in line and "in force from metre" in line for line in log)
    target = "recipe laid-2x2g5 revision 3" if mode == "edited recipe" else "line lay-1 revision 2"
    assert target in entries


def ends(mode: str, folder: Path, found: dict, wanted: dict, given_out: dict) -> None:
    keeps(given_out, found)
    assert whole(folder), "a metre was given out twice, or never"
    if mode.startswith("edited"):
        assert [d.drum for d in found["drums"]] == [d.drum for d in wanted["drums"]]
        return
    assert len(found["verdict"][1]) == len(wanted["verdict"][1])
    for name in wanted:
        if mode in ("same program", "older version"):
            assert found[name] == wanted[name], name
    assert [(d.drum, d.recipe, d.revision) for d in found["drums"]] == [
        (d.drum, d.recipe, d.revision) for d in wanted["drums"]
    ]
    assert [d.start_m for d in found["drums"]] == pytest.approx([d.start_m for d in wanted["drums"]], abs=1e-6)
    assert found["states"] == wanted["states"]


def as_floats(column: list) -> np.ndarray:
    return np.array(column, dtype=float)


def in_microns(values: list[str]) -> list[str]:
    """Entries with numbers as close as metres made again are: a rebuilt track begins at another reading."""
    return sorted(re.sub(r"\d+\.\d+", lambda x: f"{float(x[0]):.6f}", value) for value in values)


@pytest.mark.parametrize(
    ("mode", "seed", "share"), [("no snapshot", 0, 0.5), ("no snapshot", 1, 0.23), ("damaged snapshot", 1, 0.8)]
)
def test_a_rebuilt_line_ends_as_the_undisturbed_one(tmp_path, undisturbed, mode, seed, share):
    """A3: rows, findings and alarms that come after it, too."""
    arrivals = story(seed)
    at = round(share * len(arrivals))
    desk = started(configured(tmp_path), [])
    run(desk, arrivals[:at])
    desk.writer.close()
    given_out = everything(tmp_path, LINE)
    run(started(disturb(desk, mode), []), arrivals[at:])
    found, wanted = everything(tmp_path, LINE), undisturbed(seed)
    ends(mode, tmp_path, found, wanted, given_out)
    assert found["verdict"] == wanted["verdict"]
    for name, column in wanted["rows"].items():
        assert as_floats(found["rows"][name]) == pytest.approx(as_floats(column), abs=1e-6, nan_ok=True), name
    for name in ("findings", "changes", "now"):
        assert in_microns(found[name]) == in_microns(wanted[name]), name


def whole(folder: Path) -> bool:
    """Whether blocks of rows follow each other."""
    reader = StoreReader(settings_at(folder))
    b = METRE_BLOCK.c
    blocks = reader._all(select(b.first_m, b.rows).where(b.line == LINE).order_by(b.first_m))
    return all(a.first_m + a.rows == c.first_m for a, c in pairwise(blocks))


def test_the_story_holds_what_it_should(undisturbed):
    """The law is worth as much as its story."""
    found = undisturbed(0)
    assert len(found["drums"]) == 4
    assert len(found["states"]) >= 3
    text = msgspec.json.encode(found["changes"]).decode()
    for word in ("acknowledge", "shelve", "shelving ended", "line/counter/fault"):
        assert word in text
