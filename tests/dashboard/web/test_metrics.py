"""Who watches the monitor says what troubles it, on the page, as JSON and for a collector."""

import dataclasses

import pytest
from prometheus_client.parser import text_string_to_metric_families

from dashboard.pages.health import layout as health
from dashboard.text.troubles import troubles
from dashboard.web.metrics import FIGURES
from monitor.contract.reading import HealthRow

WELL = HealthRow(
    monitor="all lines",
    t_ms=1_000_000,
    messages=10,
    rejected={},
    lag_s=0.2,
    queue=3,
    last_commit_ms=999_900,
    disk_free_bytes=50 * 2**30,
)


def test_a_monitor_that_is_well_has_no_troubles():
    assert troubles(WELL, 1_000_500) == []


@pytest.mark.parametrize(
    ("change", "now_ms", "says"),
    [
        ({}, 1_060_000, "has not reported for 60 s"),
        ({"disk_free_bytes": 2**28}, 1_000_500, "disk nearly full, 0.2 GiB left"),
        ({"last_commit_ms": 900_000}, 1_000_500, "cannot commit"),
        ({"queue": 9000}, 1_000_500, "9\u202f000 messages queued"),
        ({"lag_s": 40.0}, 1_000_500, "the newest data is 40 s old"),
        ({"problems": ["core-1 is neither stored"]}, 1_000_500, "core-1 is neither stored"),
    ],
)
def test_each_trouble_is_said_with_what_to_look_at(change, now_ms, says):
    (said,) = troubles(dataclasses.replace(WELL, **change), now_ms)
    assert said.startswith(says)


def test_the_page_and_the_api_show_it(client, context):
    assert "all lines" in str(health.content(context))
    assert "OK" in str(health.content(context))
    reply = client.get("/api/v1/health").get_json()
    assert reply["well"]
    assert reply["monitors"][0]["rejected"] == {"not JSON": 3}


def test_figures_are_in_the_text_format_of_prometheus(client):
    """F8: parsed by the parser of prometheus_client."""
    reply = client.get("/api/v1/metrics")
    assert reply.mimetype == "text/plain"
    found = {f.name: f for f in text_string_to_metric_families(reply.get_data(as_text=True))}
    assert {f"everymetre_{name}" for name, *_ in FIGURES} == set(found)
    assert "core-1" in {sample.labels["line"] for sample in found["everymetre_line_age_seconds"].samples}
    assert next(s.name for s in found["everymetre_rejected_messages"].samples) == "everymetre_rejected_messages_total"
