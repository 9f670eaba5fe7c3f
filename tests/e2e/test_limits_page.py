"""Limits changed on the page, in a real browser: rehearsed in a process, proposed, approved by another, taken back."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from werkzeug.serving import make_server

from dashboard.app import create_app
from dashboard.gateway import Outgoing, topic_of
from dashboard.jobs import ProcessBench
from dashboard.web.serve import LOOPBACK_NAMES, guard
from monitor.commands.rehearse import work
from monitor.contract.config.limits import limits_of
from monitor.contract.messages import Action, LimitsStep
from monitor.core.arrival import Arrival
from monitor.store.reader import StoreReader
from tests.core.script import T0
from tests.core.test_pipeline import core_line
from tests.shell.works import processor_at, stored_at, take
from tests.store.test_writer import busy

HI = "window/oven-b/temperature/hi"


class Works:
    """A record, its processor, and pages whose answers go straight to the processor."""

    def __init__(self, folder: Path, port: int) -> None:
        self.script = core_line(300, before=lambda script, s: busy(script, s % 130))
        arrivals = self.script.sorted()
        self.cut = next(i for i, a in enumerate(arrivals) if a.received_s > T0 + 260)
        self.rest = arrivals[self.cut :]
        self.processor, self.outgoing = processor_at(folder), Outgoing(round(T0 * 1e3))
        take(self.processor, arrivals[: self.cut])
        self.now_s = T0 + 262.0
        c = stored_at(folder)
        bench = ProcessBench(c, work)
        app = create_app(StoreReader(c.works.store), c, self, lambda: self.now_s, bench)
        guard(app.server, LOOPBACK_NAMES, lambda: "")
        self.server = make_server("127.0.0.1", port, app.server, threaded=True)
        self.url = f"http://127.0.0.1:{port}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def send(self, line: str, step: Action | LimitsStep) -> None:
        """The gateway; after each step the line says some more, so that it takes effect."""
        self.now_s += 0.01
        topic = topic_of("tarn", line, step)
        arrival = Arrival(topic, self.outgoing.encode(topic, step), self.now_s)
        some, self.rest = self.rest[:60], self.rest[60:]
        take(self.processor, [arrival, *some])


@pytest.fixture
def works(tmp_path: Path, port: int) -> Iterator[Works]:
    one = Works(tmp_path, port)
    yield one
    one.server.shutdown()
    one.server.server_close()


def test_limits_are_rehearsed_proposed_approved_by_another_and_taken_back(works: Works, page: Page) -> None:
    page.goto(works.url + "/limits")
    expect(page.locator("#limits-fields input").first).to_be_visible()
    page.locator("#limits-group").click()
    page.get_by_role("option", name="Oven B temperature").click()
    hi = page.get_by_role("textbox", name="HI", exact=True)
    expect(hi).to_have_value("315")
    hi.fill("31x")
    hi.press("Tab")
    expect(page.locator("#limits-fields")).to_contain_text("expected a number such as 315 or 3.66, got '31x'")
    page.get_by_role("button", name="Rehearse").click()
    expect(page.locator("#limits-progress")).to_contain_text("HI: expected a number")
    hi.fill("304.6")
    hi.press("Tab")
    expect(page.locator("#limits-changed")).to_contain_text("304.6")
    page.get_by_role("button", name="Propose").click()
    expect(page.locator("#limits-message")).to_contain_text("Enter your name")
    page.get_by_role("button", name="Rehearse").click()
    expect(page.locator("#limits-outcome")).to_contain_text("alarms per shift become")
    expect(page.locator("#limits-trend .js-plotly-plot")).to_be_visible()
    page.get_by_label("Your name").fill("Mira")
    page.get_by_role("textbox", name="Reason").fill("ovens run cooler now")
    page.get_by_role("button", name="Propose").click()
    row = page.locator("#limits-proposals tbody tr").first
    expect(row).to_contain_text("Oven B temperature: HI 304.6")
    expect(row).to_contain_text("alarms per shift become")
    row.get_by_role("button", name="Approve").click()
    expect(page.locator("#limits-message")).to_contain_text("a second person must approve it")
    page.get_by_label("Your name").fill("Olle")
    row.get_by_role("button", name="Approve").click()
    expect(row).to_contain_text("approved by Olle: revision 2")
    assert limits_of(works.processor.engine.pipelines["core-1"].recipes["core-2g5"])[HI] == 304.6
    back = page.locator("#limits-in-force tbody tr", has_text="core-2g5").first
    expect(back).to_contain_text("in force")
    expect(back).to_contain_text("Mira, approved by Olle")
    page.locator("#limits-in-force tbody tr", has_text="from recipe file").get_by_role("button").first.click()
    expect(page.locator("#limits-in-force")).to_contain_text("back to revision 1")
    recipe = works.processor.engine.pipelines["core-1"].recipes["core-2g5"]
    assert (recipe.revision, limits_of(recipe)[HI]) == (3, 315.0)


def test_a_suggestion_is_shown_and_a_long_run_can_be_stopped(works: Works, page: Page) -> None:
    page.goto(works.url + "/limits")
    expect(page.locator("#limits-fields input").first).to_be_visible()
    page.get_by_role("button", name="Suggest").click()
    expect(page.locator("#limits-outcome")).to_be_visible()
    page.get_by_role("button", name="Rehearse").click()
    page.get_by_role("button", name="Stop").click()
    expect(page.locator("#limits-progress")).to_contain_text("Stopped")
