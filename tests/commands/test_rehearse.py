"""Rehearsal out of the store: with unchanged limits the alarms are those of the record, wherever the messages lie."""

import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.__main__ import main
from monitor.analysis.activations import Activation, of_rows
from monitor.analysis.rehearse import Asked, CancelledError, Fault, Kept, Side, compare
from monitor.analysis.suggest import Candidate, Recorded, tried
from monitor.commands import rehearse
from monitor.commands.rehearse import drum_meant, known_in, recipes_then, run, shifts_in, suggestion
from monitor.contract.config.limits import LimitsError, limits_of, with_limits
from monitor.core.arrival import Arrival, Block, Message
from monitor.core.pipeline import Pipeline
from monitor.store.message_history import History
from monitor.store.reader import StoreReader
from monitor.store.rolling import roll_drums, roll_hours
from tests.core.script import T0, Script, configuration, decoded
from tests.core.test_pipeline import core_line
from tests.shell.works import configs_at, processor_at, settings_at, stored_at, take
from tests.store.test_writer import busy

HI = "window/oven-b/temperature/hi"
START, END = round(T0 * 1e3), round((T0 + 400) * 1e3)


def much(script: Script, s: int) -> None:
    busy(script, s % 130)
    t = T0 + s
    if s == 20:
        script.send("operator/limits", t, step="propose", proposal="P1", recipe="core-2g5", by="Mira", reason="x",
                   changes={HI: 305.1})  # fmt: skip
    if s == 60:
        script.send("operator/limits", t, step="approve", proposal="P1", recipe="core-2g5", by="Olle")


def unkind(arrivals: list[Arrival]) -> list[Arrival]:
    """Some come late and out of order, as over a bad wire."""
    rng = random.Random(4)
    return sorted(arrivals, key=lambda a: a.received_s + (rng.uniform(0, 3) if rng.random() < 0.05 else 0))


ARRIVALS = unkind(core_line(260, before=much).arrivals)


@pytest.fixture(scope="module", params=["database", "files", "both"])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record: in the database, rolled into files, or half and half."""
    place = tmp_path_factory.mktemp(request.param)
    processor = processor_at(place)
    cut = {"database": 0, "files": len(ARRIVALS), "both": len(ARRIVALS) // 2}[request.param]
    for part, roll in ((ARRIVALS[:cut], True), (ARRIVALS[cut:], False)):
        if part:
            take(processor, part, 150)
            processor.writer.write(processor.last_batch())
            if roll:
                roll_drums(processor.writer.engine, place)
                assert roll_hours(processor.writer.engine, place, -3_600_000)
    processor.writer.close()
    return place


Times = tuple[str, int, int | None]  # of an alarm: raised and returned, UTC ms


def times_of(one: Activation) -> Times:
    return one.alarm, round(one.t_s * 1e3), None if one.end_s is None else round(one.end_s * 1e3)


def raised_on_record(folder: Path) -> list[Times]:
    rows = StoreReader(settings_at(folder)).alarm_changes("core-1", 0, 10**15, 10**6)
    return [times_of(r) for r in of_rows(rows)]


def rehearsed(side: Side) -> list[Times]:
    return [times_of(r) for r in side.raised]


def test_unchanged_limits_raise_the_alarms_of_the_record(folder):
    found = run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes={}))
    recorded = raised_on_record(folder)
    assert len(recorded) > 8
    assert sorted(rehearsed(found.before)) == sorted(recorded)


def test_messages_come_back_to_the_bit_and_in_their_order(folder):
    came = [m for part in History(configuration=stored_at(folder), line="core-1").read(START - 1, END) for m in part]
    sent = decoded(ARRIVALS)
    assert [(m.stream, m.n) for m in came if isinstance(m, Message)] == [(m.stream, m.n) for m in sent]
    for a, b in zip(came, sent, strict=True):
        if isinstance(b.body, Block):
            assert np.array_equal(a.body.t_s, b.body.t_s)
            assert np.array_equal(a.body.v, b.body.v, equal_nan=True)
        else:
            assert a.body == b.body


def test_other_limits_raise_others_and_the_recorded_change_is_set_aside(folder):
    found = run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes={"core-2g5": {HI: 304.0}}))
    after = [r for r in found.after.raised if r.alarm == "oven-b/temperature/HI"]
    assert after[0].limit == 304.0
    assert round(after[0].t_s - T0) in (5, 6)
    moved = next(m for m in found.alarms if m.alarm == "oven-b/temperature/HI")
    assert moved.after >= 1


def test_limits_of_the_cure_are_rehearsed_too(folder):
    found = run(
        stored_at(folder),
        Asked(line="core-1", start_ms=START, end_ms=END, changes={"core-2g5": {"cure/index_warn": 9.0}}),
    )
    scant = [r for r in found.after.raised if r.alarm == "cure/index-inner/scant"]
    assert scant
    assert scant[0].limit == 9.0


def test_the_cure_is_that_of_the_record_where_its_limits_are(folder):
    found = run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes={"core-2g5": {HI: 304.0}}))
    of_cure = [[r for r in side.raised if r.alarm.startswith("cure/")] for side in (found.before, found.after)]
    assert of_cure[0] == of_cure[1]


@pytest.mark.parametrize("hi", [315.0, 304.9])
def test_a_stream_alone_raises_what_the_engine_raises_for_it(folder, hi):
    path, changes = "oven-b/temperature", {"core-2g5": {HI: hi}}
    alone = run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes=changes, stream=path))
    whole = run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes=changes, with_cure=False))
    of_stream = [r for r in whole.after.raised if r.alarm in {f"{path}/{n}" for n in ("LOLO", "LO", "HI", "HIHI")}]
    assert [(r.alarm, r.t_s, r.end_s, r.priority, r.limit) for r in alone.after.raised] == [
        (r.alarm, pytest.approx(r.t_s, abs=2e-3), r.end_s and pytest.approx(r.end_s, abs=2e-3), r.priority, r.limit)
        for r in of_stream
    ]
    assert bool(of_stream) == (hi < 310)


def test_a_stream_alone_needs_a_window_and_delays_in_seconds(folder):
    with pytest.raises(ValueError, match="has a window"):
        run(
            stored_at(folder),
            Asked(line="core-1", start_ms=START, end_ms=END, changes={}, stream="spark-electrode/spark-fault"),
        )
    in_metres = {"window/oven-b/temperature/on_delay_s": None, "window/oven-b/temperature/on_delay_m": 10.0}
    with pytest.raises(ValueError, match="delays in m"):
        run(
            stored_at(folder),
            Asked(
                line="core-1", start_ms=START, end_ms=END, changes={"core-2g5": in_metres}, stream="oven-b/temperature"
            ),
        )


def test_rates_are_over_what_is_on_record(folder):
    asked = Asked(line="core-1", start_ms=START - 7_200_000, end_ms=END + 7_200_000, changes={}, with_cure=False)
    start, end = run(stored_at(folder), asked).span_ms(asked)
    assert start == pytest.approx(START, abs=1000)
    assert end == pytest.approx(START + 260_000, abs=1500)


def test_several_lines_are_one_comparison_with_their_names(folder):
    c = stored_at(folder)
    alone = run(c, Asked(line="core-1", start_ms=START, end_ms=END, changes={}, with_cure=False))
    both = run(
        c,
        Asked(line="core-1", start_ms=START, end_ms=END, changes={}, with_cure=False, more_lines=("core-2", "core-1")),
    )
    assert len(both.before.raised) == len(alone.before.raised)
    assert {m.alarm for m in both.alarms} == {f"core-1/{m.alarm}" for m in alone.alarms}


def test_known_faults_may_come_from_outside(folder, tmp_path):
    file = tmp_path / "known.csv"
    file.write_text("line,start_m,end_m,of\ncore-1,1100,1110,a mark\ncore-2,5,6,elsewhere\n")
    found = run(
        stored_at(folder),
        Asked(line="core-1", start_ms=START, end_ms=END, changes={}, with_cure=False, known=known_in(file)),
    )
    assert [(x.fault.start_m, x.fault.of) for x in found.caught] == [(1100.0, "a mark")]
    file.write_text("line,from\n")
    with pytest.raises(ValueError, match="no column start_m, end_m"):
        known_in(file)


def test_without_cure_no_alarm_of_the_cure_is_raised(folder):
    found = run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes={}, with_cure=False))
    assert not [r for r in found.before.raised if r.alarm.startswith("cure/")]


def test_a_span_in_the_middle_knows_its_drum(folder):
    found = run(
        stored_at(folder), Asked(line="core-1", start_ms=START + 100_000, end_ms=END, changes={"core-2g5": {HI: 304.0}})
    )
    assert all(r.t_s >= T0 + 100 for r in found.before.raised)


def test_it_tells_how_far_it_is_and_stops_when_asked(folder):
    shares = []

    def stop(share: float) -> bool:
        shares.append(share)
        return False

    with pytest.raises(CancelledError):
        run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes={}), stop)
    assert len(shares) == 1
    assert 0 <= shares[0] <= 1


def test_limits_that_cannot_be_are_refused_before_anything_runs(folder):
    with pytest.raises(LimitsError, match="must rise"):
        run(stored_at(folder), Asked(line="core-1", start_ms=START, end_ms=END, changes={"core-2g5": {HI: 1.0}}))


def test_the_recipes_of_a_time_are_those_that_were_in_force(folder):
    c, reader = stored_at(folder), StoreReader(settings_at(folder))
    early = recipes_then(c, reader, "core-1", START + 30_000)["core-2g5"]
    late = recipes_then(c, reader, "core-1", START + 90_000)["core-2g5"]
    assert (limits_of(early)[HI], limits_of(late)[HI]) == (315.0, 305.1)


def test_a_suggestion_reads_one_stream(folder):
    found = suggestion(stored_at(folder), "core-1", "oven-b/temperature/HI", START, END, 2.0)
    assert found.tried
    assert found.why
    with pytest.raises(ValueError, match="LOLO, LO, HI or HIHI"):
        suggestion(stored_at(folder), "core-1", "oven-b/temperature/hi", START, END, 2.0)


def test_c8_a_suggestion_is_for_the_chosen_recipe_from_cable_of_that_recipe_only(folder, monkeypatch):
    c, limit = stored_at(folder), "oven-b/temperature/HI"
    moved = with_limits(c.recipes["core-1g5"], {HI: 298.0})  # all of the other cable is beyond it
    c = c.model_copy(update={"recipes": c.recipes | {"core-1g5": moved}})
    asked = []

    def looked_at(data: Recorded, at: float, *rest: Any) -> list[Candidate]:
        asked.append((at, int(data.open.sum())))
        return tried(data, at, *rest)

    monkeypatch.setattr(rehearse, "tried", looked_at)
    wound = suggestion(c, "core-1", limit, START, END, 2.0, "core-2g5")
    other = suggestion(c, "core-1", limit, START, END, 2.0, "core-1g5")
    assert [at for at, _ in asked] == [305.1, 298.0]  # as each is in force at the end of the span
    assert asked[0][1] > 0
    assert asked[1][1] == 0, "no cable of this recipe was wound: nothing of the other's is an excursion"
    assert wound.tried
    assert sum(x.nuisance + x.detected for x in other.tried) == 0
    with pytest.raises(ValueError, match="recipe core-9 of line core-1 has not the limit"):
        suggestion(c, "core-1", limit, START, END, 2.0, "core-9")


def test_an_hour_of_eight_is_an_eighth_of_a_shift(folder):
    assert shifts_in(stored_at(folder), START, START + 3_600_000) == pytest.approx(1 / 8)


# ---- comparing ---------------------------------------------------------------------------------------------------


def test_known_faults_are_reported_earlier_later_or_not():
    """Oven B too hot for a minute: metres marked there are told of by the window; a tighter limit tells sooner."""

    def before(script: Script, s: int) -> None:
        if 100 <= s < 160:
            script.arrivals = [
                a for a in script.arrivals if not (a.topic.endswith("oven-b/temperature") and a.received_s > T0 + s)
            ]
            script.numbers["oven-b/temperature"] -= 1
            script.send_samples("oven-b/temperature", T0 + s, [305 + (s - 99) * 0.3] * 2, 0.5)

    messages = decoded(core_line(220, before=before).sorted())
    c = configuration()
    recipes = c.recipes_for("core-1")
    sides = []
    for hi in (315.0, 308.0, 322.5):
        changed = recipes["core-2g5"].model_copy()
        window = [w.model_copy(update={"hi": hi}) if w.stream == "oven-b/temperature" else w for w in changed.window]
        engine = Pipeline(
            line=c.lines["core-1"], recipes=recipes | {"core-2g5": changed.model_copy(update={"window": window})}
        )
        kept = Kept()
        kept.add(engine.feed(messages))
        sides.append(kept.side(T0, T0 + 300))
    plain, tight, loose = sides
    fault = [Fault(1640.0, 1650.0, "known"), Fault(99_000.0, 99_001.0, "elsewhere")]
    assert [x.word for x in compare(plain, tight, fault).caught] == ["earlier", "not detected by any other alarm"]
    assert compare(tight, plain, fault).caught[0].word == "later"
    assert compare(plain, plain, fault).caught[0].word == "the same"
    assert compare(Side((), ()), plain, fault).caught[0].word == "newly caught"
    assert compare(plain, Side((), ()), fault).caught[0].word == "missed now"
    moved = next(m for m in compare(plain, tight, fault).alarms if m.alarm == "oven-b/temperature/HI")
    assert (moved.before, moved.after, moved.only_before, moved.only_after) == (1, 1, 0, 0)
    assert moved.moved_s[0] < -15
    assert tight.bad_m() > plain.bad_m() > loose.bad_m() >= 0


# ---- the command -------------------------------------------------------------------------------------------------


def test_the_command_prints_both_sides(tmp_path, capsys):
    configs, *_ = configs_at(tmp_path)
    processor = processor_at(tmp_path / "run" / "store")
    take(processor, ARRIVALS, 300)
    processor.writer.close()
    words = ["rehearse", "--configs", str(configs), "--line", "core-1", "--drum", "C1-0001", "--recipe", "core-2g5"]
    assert main([*words, "--set", f"{HI}=304", "--without-cure"]) == 0
    output = capsys.readouterr().out
    assert "in force" in output
    assert "oven-b/temperature/HI" in output
    assert "alarms per shift become" in output
    assert main([*words, "--suggest", "oven-b/temperature/HI"]) == 0
    assert "on-delay s" in capsys.readouterr().out


def test_a2_a_name_means_its_newest_filling_and_a_number_any(tmp_path, capsys):
    def came_back(script: Script, s: int) -> None:
        for at, name in ((60, "C1-0002"), (130, "C1-0001")):
            if s == at:
                script.send("take-up/drum", T0 + s, drum=name, recipe="core-2g5")

    configs, *_ = configs_at(tmp_path)
    processor = processor_at(tmp_path / "run" / "store")
    take(processor, core_line(200, before=came_back).arrivals, 300)
    processor.writer.close()
    reader = StoreReader(settings_at(tmp_path / "run" / "store"))
    asked = [("C1-0001", None), (None, 1), ("C1-0001", 1), ("C1-0002", None)]
    found = [drum_meant(reader, "core-1", *one) for one in asked]
    assert [(drum.filling, numbers) for drum, numbers in found] == [(3, [1, 3]), (1, [1]), (1, [1]), (2, [2])]
    words = ["rehearse", "--configs", str(configs), "--line", "core-1", "--suggest", "oven-b/temperature/HI"]
    main([*words, "--drum", "C1-0001"])
    assert "was filled 2 times, as numbers 1, 3. The newest is taken, 3;" in capsys.readouterr().err
    assert main([*words, "--drum", "C1-0002", "--filling", "3"]) == 2
    assert "number 3 of line core-1 is drum C1-0001, not C1-0002" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--line", "core-9"], "no line core-9"),
        (["--line", "core-1"], "--from and --until, or --drum"),
        (["--line", "core-1", "--drum", "X"], "no drum X"),
        (["--line", "core-1", "--filling", "7"], "no filling 7"),
        (["--line", "core-1", "--from", "2026-01-02T00:00", "--until", "2026-01-01T00:00"], "must come after"),
        (["--line", "core-1", "--from", "2026-01-01", "--until", "2026-01-02", "--set", "a=1"], "expected one of"),
        (["--line", "core-1", "--from", "2026-01-01", "--until", "2026-01-02", "--recipe", "core-2g5", "--set", "a=b"],
         "KEY=NUMBER"),
        (["--line", "core-1", "--from", "yesterday", "--until", "2026-01-02"], "yesterday"),
    ],
)  # fmt: skip
def test_the_command_says_what_is_wrong(tmp_path, capsys, words, says):
    configs, *_ = configs_at(tmp_path)
    assert main(["rehearse", "--configs", str(configs), *words]) == 2
    assert says in capsys.readouterr().err
