"""Recordings that no one here wrote, and our own, through the same engine."""

from importlib.metadata import distribution
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sqlalchemy.exc import DataError

from monitor.__main__ import main
from monitor.commands.replay import widened
from monitor.contract.config.load import load
from monitor.contract.config.works import Store
from monitor.contract.record import AlarmChange, Finding
from monitor.core.decode import Decoder
from monitor.core.engine import Engine
from monitor.shell.recording import AssumedRun, Mapping, RecordingRows, arrivals, read_mapping, read_rows
from monitor.store.writer import Batch, Writer
from tests.shell.works import numbers_stored

PIPE = Path(__file__).parents[1] / "data" / "pipe"
WATER_FLOW = Path(str(distribution("river").locate_file("river/datasets/water-flow.csv")))  # its import takes a second


def found(rows: RecordingRows, mapping: Mapping) -> list:
    c = widened(load(PIPE))
    engine, decoder = Engine.of(c), Decoder.of(c)
    out = []
    came = arrivals(rows, mapping, "pipe", c.lines["pipe"])
    for start in range(0, len(came), 500):
        messages, rejected = decoder.by_line(came[start : start + 500])
        out += [*rejected, *engine.feed(messages)]
    return out


def closed(outputs: list, kind: str) -> list[Finding]:
    newest = {f.key: f for f in outputs if isinstance(f, Finding) and f.kind == kind}
    return sorted(newest.values(), key=lambda f: f.start_s)


def utc(text: str) -> float:
    return pd.Timestamp(text).timestamp()


@pytest.fixture(scope="module")
def water() -> list:
    mapping = read_mapping(PIPE / "water-flow-mapping.toml")
    return found(read_rows(WATER_FLOW, mapping), mapping)


def test_river_water_flow_its_three_low_segments_are_found_and_no_other(water):
    """Hourly water flow in the `river` wheel (BSD-3, kindly donated): three segments at about 24.2 l/s, 16, 12 and 14
    samples long by the file itself; the offset of the stamps changes from +01:00 to +02:00 between them."""
    low = closed(water, "window")
    begun = ["2022-03-24T09:00+01:00", "2022-03-29T09:00+02:00", "2022-04-27T16:00+02:00"]
    ended = ["2022-03-25T00:00+01:00", "2022-03-29T20:00+02:00", "2022-04-28T05:00+02:00"]  # last low samples
    assert len(low) == 3
    for finding, start, last in zip(low, begun, ended, strict=True):
        assert finding.start_s == utc(start)
        assert finding.end_s is not None
        assert abs(finding.end_s - utc(last)) <= 2 * 3600
        assert finding.extreme == pytest.approx(24.25, abs=0.05)


def test_river_water_flow_its_ten_holes_are_reported(water):
    """Ten places where the next sample is more than an hour and a half away, 2 h to 32 h, by the file itself."""
    stamps = pd.to_datetime(pd.read_csv(WATER_FLOW)["Time"], utc=True)
    steps_h = stamps.diff().dt.total_seconds().to_numpy()[1:] / 3600
    wide = np.flatnonzero(steps_h > 1.5)
    silent = closed(water, "missing")
    assert len(wide) == len(silent) == 10
    assert [f.start_s for f in silent] == [stamps[i].timestamp() for i in wide]
    assert [(f.end_s - f.start_s) / 3600 for f in silent] == pytest.approx(steps_h[wide])
    assert min(steps_h[wide]) == 2
    assert max(steps_h[wide]) == 32


def test_alarms_of_the_recording_are_those_of_its_findings(water):
    raised = [o.alarm for o in water if isinstance(o, AlarmChange) and o.event == "raised"]
    assert raised.count("meter/flow/LO") == 3
    assert raised.count("meter/flow/missing") == 10


def test_a_clock_that_steps_back_is_late_data_and_stops_nothing():
    t = 1.7e9 + 300.0 * np.array([*range(20), *range(9, 40)])
    rows = RecordingRows(t, ["meter/flow"] * len(t), np.full(len(t), 100.0))
    c = widened(load(PIPE))
    engine = Engine.of(c)
    mapping = Mapping(story=AssumedRun(recipe="pipe"))
    messages, rejected = Decoder.of(c).by_line(arrivals(rows, mapping, "pipe", c.lines["pipe"]))
    assert not rejected
    engine.feed(messages)
    engine.tick(float(t[-1]) + 1000)
    assert engine.pipelines["pipe"].now().extra["late"] == {"meter/flow": 11}


def test_a_column_that_is_not_there_is_named_with_those_that_are(tmp_path, capsys):
    (tmp_path / "a.csv").write_text("t,x\n1,2\n")
    assert main(["replay", str(tmp_path / "a.csv"), "--line", "pipe", "--configs", str(PIPE)]) == 2
    assert "no column time, stream, value; it has t, x" in capsys.readouterr().err


def test_straight_into_a_store_keeps_the_record_and_is_not_done_twice(tmp_path, capsys):
    words = ["replay", str(WATER_FLOW), "--line", "pipe", "--configs", str(PIPE)]
    words += ["--mapping", str(PIPE / "water-flow-mapping.toml"), "--store", str(tmp_path / "store")]
    assert main(words) == 0
    assert "meter/flow/LO 3, meter/flow/missing 10" in capsys.readouterr().out
    hours = sorted((tmp_path / "store" / "lines" / "pipe").rglob("*.parquet"))
    assert len(hours) > 1000
    assert main(words) == 2
    assert "holds a record of pipe already" in capsys.readouterr().err


def test_an_hour_of_our_own_is_a_recording_too(tmp_path, capsys):
    store = tmp_path / "store"
    words = ["replay", str(WATER_FLOW), "--line", "pipe", "--configs", str(PIPE)]
    assert main([*words, "--mapping", str(PIPE / "water-flow-mapping.toml"), "--store", str(store)]) == 0
    hour = sorted((store / "lines" / "pipe").rglob("*.parquet"))[0]
    rows = read_rows(hour, Mapping())
    assert "meter/flow" in rows.path
    assert {path for _, path, _ in rows.notifications} == {"line/state", "outlet/drum"}
    capsys.readouterr()
    assert main(["replay", str(hour), "--line", "pipe", "--configs", str(PIPE)]) == 0
    assert "refused: none" in capsys.readouterr().out


def test_what_the_store_refuses_once_is_looked_through_and_stored_as_the_monitor_does(tmp_path, capsys, monkeypatch):
    recording, write, left = tmp_path / "part.csv", Writer.write, iter(range(1))
    recording.write_text("\n".join(WATER_FLOW.read_text().splitlines()[:12]) + "\n")

    def refuses(writer: Writer, batch: Batch) -> object:
        if batch.messages and next(left, None) is not None:
            raise DataError("insert into message", {}, ValueError("a value that no column holds"))
        return write(writer, batch)

    def kept_in(store: Path) -> int:
        words = ["replay", str(recording), "--line", "pipe", "--configs", str(PIPE), "--store", str(store)]
        assert main([*words, "--mapping", str(PIPE / "water-flow-mapping.toml")]) == 0
        assert "refused: none" in capsys.readouterr().out
        writer = Writer(Store(folder=str(store)), ["pipe"])
        kept = numbers_stored(writer.engine)["pipe"]
        writer.close()
        return kept

    wanted = kept_in(tmp_path / "undisturbed")
    monkeypatch.setattr(Writer, "write", refuses)
    assert kept_in(tmp_path / "refused") == wanted > 11
    assert next(left, None) is None
