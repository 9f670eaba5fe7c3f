"""The page Cutting: nothing bad in a reel, and a sheet that runs from the outer end to the last metre."""

import re

import pytest

from dashboard.pages.cutting import layout as cutting
from monitor.contract.record import Verdict
from tests.dashboard.conftest import NOW_S
from tests.dashboard.page_text import text_of

NOW_MS = round(NOW_S * 1e3)


def test_bad_cable_is_reported_from_the_outer_end(context, record, drum):
    length = drum.end_m - drum.start_m
    bad = cutting.bad_of_all(context, [drum], True)[drum.key]
    findings = [f for f in record.findings("core-1", drum.start_m, drum.end_m) if f.verdict > Verdict.CONFORMING]
    for f in findings:
        middle = length - ((f.start_m + f.end_m) / 2 - drum.start_m)
        if 0 < middle < length:
            assert any(b.start_m - 1 <= middle <= b.end_m + 1 for b in bad), f
    assert [b.start_m for b in bad] == sorted(b.start_m for b in bad)
    assert len(cutting.bad_of_all(context, [drum], False)[drum.key]) < len(bad)


def test_no_reel_holds_a_bad_metre_or_its_guard(context, drum):
    parts = cutting.answer(context, "core-1", [str(drum.filling)], 3.0, True)
    text = text_of(parts)
    assert "proven optimal" in text
    bad = cutting.bad_of_all(context, [drum], True)[drum.key]
    wanted = cutting.lengths(context.configuration.orders, drum.recipe, NOW_MS, context.zone)
    best = cutting._plan([drum], {drum.key: bad}, 3.0, wanted, 0.1)
    assert best.cuts
    for c in best.cuts:
        assert all(c.end_m <= b.start_m - 3.0 + 1e-6 or c.start_m >= b.end_m + 3.0 - 1e-6 for b in bad)


def test_the_sheet_runs_from_the_outer_end_to_the_last_metre(context, drum):
    text = text_of(cutting.answer(context, "core-1", [str(drum.filling)], 2.0, True))
    stops = [
        float(x.replace("\u202f", ""))
        for x in re.findall(r"([\d\u202f]+\.\d) m\s+[\d\u202f]+\.\d m\s+(?:scrap|left over|stock|[a-z])", text)
    ]
    assert stops == sorted(stops)
    assert stops[-1] == pytest.approx(drum.end_m - drum.start_m, abs=0.2)
    assert "layer" in text
    assert "turn" in text


def test_an_order_that_is_due_counts_for_more(context):
    orders = context.configuration.orders
    due = next(x for x in orders.length if x.due)
    day_before = NOW_MS + round((due.due.toordinal() - 719163) * 86_400_000) - NOW_MS - 86_400_000
    urgent = {x.order: x.worth for x in cutting.lengths(orders, due.product, day_before, "UTC")}
    calm = {x.order: x.worth for x in cutting.lengths(orders, due.product, day_before - 30 * 86_400_000, "UTC")}
    assert urgent[due.order] == pytest.approx(calm[due.order] * 1.1)


@pytest.mark.parametrize(("chosen", "says"), [([], "Choose finished drums"), (["no such"], "Choose finished drums")])
def test_what_cannot_be_cut_is_reported(context, chosen, says):
    assert says in text_of(cutting.answer(context, "core-1", chosen, 2.0, True))


def test_drums_of_two_products_are_not_planned_together(context, record, drum, monkeypatch):
    from dataclasses import replace

    other = replace(drum, filling=99, drum="other", recipe="core-1g5")
    monkeypatch.setattr(record, "drums", lambda _line, _limit: [drum, other])
    assert "one product" in text_of(cutting.answer(context, "core-1", [str(drum.filling), "99"], 2.0, True))
