"""What authors of gateways get: schemas that take what the engine takes, and a document that names every channel."""

import json
from pathlib import Path

import jsonschema
import pytest

from monitor.__main__ import main
from monitor.commands.contract import CHANNELS, asyncapi, schemas
from monitor.contract import rules
from monitor.contract.topics import NOTIFICATION_QUANTITIES, parse

GOLDEN = json.loads((Path(__file__).parents[1] / "data/wire/golden.json").read_text())


def of(topic: str) -> str:
    quantity = topic.rsplit("/", 1)[1]
    return quantity if quantity in NOTIFICATION_QUANTITIES else "samples"


@pytest.mark.parametrize("case", GOLDEN["sound"], ids=lambda c: c["name"])
def test_golden_bytes_satisfy_the_exported_schema(case):
    validator = jsonschema.Draft202012Validator(schemas()[of(case["topic"])])
    assert list(validator.iter_errors(json.loads(case["payload"]))) == []


@pytest.mark.parametrize("case", [c for c in GOLDEN["refused"] if c["kind"] == "wrong type"], ids=lambda c: c["name"])
def test_what_is_of_the_wrong_type_does_not(case):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(json.loads(case["payload"]), schemas()[of(case["topic"])])


def test_every_schema_is_a_sound_schema_and_every_reference_leads_somewhere():
    document = asyncapi()
    for schema in schemas().values():
        jsonschema.Draft202012Validator.check_schema(schema)
    assert document["asyncapi"] == "3.0.0"
    assert set(document["channels"]) == set(CHANNELS)
    for text in json.dumps(document).split('"$ref": "#/')[1:]:
        place = document
        for step in text.split('"')[0].split("/"):
            place = place[step]


def test_addresses_are_the_topics_that_the_engine_reads():
    names = {"works": "tarn", "line": "core-1", "station": "oven-a", "quantity": "temperature", "takeUp": "take-up"}
    names["payOff"] = "pay-off"
    for name, (address, *_) in CHANNELS.items():
        topic = address.format(**names)
        assert (parse("tarn", topic) is None) == (name in ("stored", "refused")), topic
        assert set(asyncapi()["channels"][name]["parameters"]) == {n for n in names if f"{{{n}}}" in address}


def test_the_command_writes_the_files(tmp_path, capsys):
    assert main(["contract", "--out", str(tmp_path)]) == 0
    assert "asyncapi.json" in capsys.readouterr().out
    assert json.loads((tmp_path / "asyncapi.json").read_text()) == asyncapi()
    assert (tmp_path / "rules.md").read_text() == rules.document()
    assert len(list(tmp_path.glob("*.schema.json"))) == len(schemas())
