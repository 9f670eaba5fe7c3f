"""Every page by its address, without a browser: its heading, and what an unknown address gets."""

from dataclasses import replace

import pytest

from dashboard.pages import route
from tests.dashboard.page_text import json_of

PAGES = ["/", "/alarms", "/drums", "/trend", "/health", "/line/core-1", "/drum/core-1/1-1042"]


@pytest.mark.parametrize("address", PAGES)
def test_every_page_asks_one_question_in_its_head(context, address):
    page = route(context, address)
    assert page.title
    assert json_of(page.content).count('"type": "H1"') == 1


@pytest.mark.parametrize("address", ["/nowhere", "/line/core-9", "/drum/core-1/none", "/drum/none/1-1042", "/line/"])
def test_an_unknown_address_gets_a_sentence_and_a_way_back(context, address):
    page = route(context, address)
    assert page.title == "Not found"
    assert '"href": "/"' in json_of(page.content)


def test_a_drum_whose_name_came_back_says_which_filling_it_is_and_leads_to_the_others(context, record, monkeypatch):
    """A2: pages go by line and number; a bare name means the newest filling of that name."""
    whole = record.drums
    first, second = (replace(d, drum="7/..") for d in whole("core-1", 10**6)[:2][::-1])
    monkeypatch.setattr(record, "drums", lambda *_: [second, first])
    for page in ("drum", "traceability", "release"):
        message = str(route(context, f"/{page}/core-1/filling/{first.filling}").content)
        assert "Filling 1 of 2 of this drum" in message
        assert f"/{page}/core-1/filling/{second.filling}" in message
        assert "Filling 2 of 2" in str(route(context, f"/{page}/core-1/7%2F..").content)
    assert route(context, "/drum/core-1/filling/99").title == "Not found"
    assert route(context, "/drum/core-1/filling/x").title == "Not found"
