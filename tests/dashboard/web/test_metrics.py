"""Who watches the monitor says what troubles it, on the page, as JSON and for a collector."""

from prometheus_client.parser import text_string_to_metric_families

from dashboard.pages.health import layout as health
from dashboard.web.metrics import FIGURES


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
