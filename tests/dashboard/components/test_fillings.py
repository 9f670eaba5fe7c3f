"""Links from drum to drum: a drum's own page, and the other fillings of a name that came back."""

from dataclasses import replace
from typing import Any

from dash import dcc

from dashboard.components.fillings import drum_link, fillings
from dashboard.context import Context
from dashboard.text.addresses import way_to
from monitor.contract.reading import DrumRow
from tests.dashboard.fake_record import FakeRecord


def drums(record: FakeRecord) -> list[DrumRow]:
    first = record.drums("core-1")[-1]
    return [first, replace(first, filling=900, start_ms=first.start_ms + 1), replace(first, line="gone", filling=3)]


def test_a_name_that_bears_one_drum_needs_no_words(context: Context, record: FakeRecord) -> None:
    first = drums(record)[0]
    assert fillings(context, "drum", first, [first]) == []


def test_a2_every_other_filling_of_a_name_is_linked_and_this_one_is_named(context: Context, record: FakeRecord) -> None:
    of = drums(record)
    (shown,) = fillings(context, "release", of[1], of)
    assert shown.children[0].startswith("Filling 2 of 3")
    links = [vars(part)["href"] for part in shown.children if isinstance(part, dcc.Link)]
    assert links == [way_to("release", d.line, d.filling) for d in (of[0], of[2])]
    assert shown.children[-1].children.startswith("3: gone, ")  # of a line that is no longer configured


def test_a_drums_link_names_it_and_leads_to_its_filling(record: FakeRecord) -> None:
    drum = drums(record)[1]
    link: Any = drum_link(drum)
    assert (link.children, link.href) == (drum.drum, f"/drum/{drum.line}/filling/900")
