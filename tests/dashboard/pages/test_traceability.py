"""The page Traceability: related drums in the order of their processes, and one metre followed through them."""

from dataclasses import replace

import pytest
from dash.exceptions import PreventUpdate

from dashboard.components import FillingData
from dashboard.pages.traceability import callbacks
from dashboard.pages.traceability import layout as traceability
from dashboard.text import format
from monitor.analysis.lineage import Lineage
from tests.dashboard.page_text import json_of, text_of


def test_a_metre_is_marked_on_the_ribbon_where_it_lies(context, drum):
    length = drum.end_m - drum.start_m
    shown = json_of(traceability.answer(context, drum, 1000.0))
    assert shown.count('"className": "followed"') == 1
    assert f'"left": "{100 * 1000.0 / length:.3f}%"' in shown


def test_a_followed_metre_has_its_process_values_and_its_time(context, record, drum):
    text = text_of(traceability.answer(context, drum, 1000.0))
    line = context.configuration.lines["core-1"]
    at = record.time_at("core-1", drum.start_m + 1000.0 + line.take_up_m - line.counter_m)
    assert "Drum metre 1\u202f000.0 at each process" in text
    assert format.local(at, context.zone, day=True) in text
    row = record.rows("core-1", drum.start_m + 1000.0, drum.start_m + 1001.0)
    assert f"{format.quantity(float(row['spark-electrode/voltage'][0]), 'kV')}" in text


@pytest.mark.parametrize("metre", [None, -1.0, 1e6])
def test_what_is_no_metre_of_the_drum_is_asked_for_again(context, drum, metre):
    shown = traceability.answer(context, drum, metre)
    assert "Enter a metre to trace." in text_of(shown)
    assert '"className": "followed"' not in json_of(shown)


def test_input_that_is_not_on_record_is_named(context, drum, monkeypatch):
    orphan = type(
        "Orphan", (), {"start_m": 10.0, "end_m": 20.5, "pay_off": "pay-off-a", "why": "no drum was reported there"}
    )
    monkeypatch.setattr(Lineage, "without_parent", lambda *_: [orphan])
    text = text_of(traceability.answer(context, drum, None))
    assert "No input drum recorded for: 10.0 to 20.5 m at pay-off-a (no drum was reported there)." in text


def test_the_callback_reads_what_was_typed_and_a_drum_that_is_gone_changes_nothing(context, drum):
    of: FillingData = {"line": drum.line, "filling": drum.filling}
    assert "Drum metre 700.0" in text_of(callbacks.follow(context, 700, of))
    assert "Enter a metre to trace." in text_of(callbacks.follow(context, "", of))
    with pytest.raises(PreventUpdate):
        callbacks.follow(context, 700, FillingData(line=drum.line, filling=99))


def test_the_page_begins_in_the_middle_of_the_drum(context, drum):
    field = next(p for p in traceability.content(context, drum) if getattr(p, "id", "") == "traceability-metre")
    length = drum.end_m - drum.start_m
    assert (field.value, field.min, field.max) == (round(length / 2), 0, length)
    wound = replace(drum, end_m=None, filling=99)  # no metre of it is known
    field = next(p for p in traceability.content(context, wound) if getattr(p, "id", "") == "traceability-metre")
    assert (field.value, field.max) == (0, 0.0)
