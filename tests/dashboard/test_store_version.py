"""A store of another version than the program: pages and answers carry the sentence."""

import pytest
from flask.testing import FlaskClient

from monitor.contract.reading import SchemaVersionError
from tests.dashboard.fake_record import FakeRecord

SENTENCE = "The store was written by a newer program."
OUTPUTS = [{"id": "content", "property": "children"}, {"id": "content", "property": "data-title"}]


@pytest.fixture
def refused(record: FakeRecord, client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> FlaskClient:
    """A browser's client, over a record that refuses every question."""

    def refuse(*_args: object, **_kwargs: object) -> None:
        raise SchemaVersionError(SENTENCE)

    for question in ("lines_now", "drums", "health", "alarms_now", "rejected"):
        monkeypatch.setattr(record, question, refuse)
    return client


def test_answers_are_503_with_the_sentence(refused):
    """A9."""
    answer = refused.get("/api/v1/live")
    assert (answer.status_code, answer.get_json()) == (503, {"error": SENTENCE})


@pytest.mark.parametrize("address", ["/drums", "/health"])
def test_pages_show_the_sentence(refused, address):
    """A9."""
    question = {
        "output": "..content.children...content.data-title..",
        "outputs": OUTPUTS,
        "inputs": [
            {"id": "location", "property": "pathname", "value": address},
            {"id": "page-turn", "property": "data"},
        ],
        "changedPropIds": ["location.pathname"],
    }
    answer = refused.post("/_dash-update-component", json=question)
    assert answer.status_code == 200
    assert SENTENCE in answer.get_data(as_text=True)
