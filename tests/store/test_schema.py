"""The store's tables: their names fit what they hold, and each change of them has its step."""

import ast
from pathlib import Path

import pytest
from sqlalchemy import LargeBinary, String, create_engine, inspect
from sqlalchemy.schema import CreateTable

from monitor.contract import bounds
from monitor.store import schema

ROOT = Path(__file__).parents[2]
STEPS = sorted((ROOT / "monitor" / "store" / "migrations" / "versions").glob("v*.py"))


def test_each_version_of_the_tables_has_one_step_that_leads_to_it():
    numbers = [int(path.name[1:5]) for path in STEPS]
    assert numbers == list(range(1, schema.SCHEMA_VERSION + 1))
    named = [
        ast.literal_eval(node.value)
        for path in STEPS
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "revision"
    ]
    assert len(set(named)) == len(STEPS)


@pytest.mark.parametrize("table", schema.METADATA.sorted_tables, ids=lambda t: t.name)
def test_a_name_of_the_wire_fits_wherever_it_is_kept(table):
    for name in ("line", "station", "quantity", "drum", "recipe"):
        column = table.c.get(name)
        if column is not None and isinstance(column.type, String) and column.type.length is not None:
            assert column.type.length >= bounds.NAME, f"{table.name}.{name}"


@pytest.mark.parametrize("table", schema.METADATA.sorted_tables, ids=lambda t: t.name)
def test_every_row_has_a_key_and_bytes_are_bytes(table):
    assert list(table.primary_key.columns), table.name
    assert str(CreateTable(table)).startswith("\nCREATE TABLE")
    if "payload" in table.c:
        assert isinstance(table.c.payload.type, LargeBinary)


def test_times_are_whole_milliseconds_wherever_a_column_bears_ms():
    engine = create_engine("sqlite://")
    schema.METADATA.create_all(engine)
    for table in schema.METADATA.sorted_tables:
        for column in inspect(engine).get_columns(table.name):
            if column["name"].endswith("_ms"):
                assert "INT" in str(column["type"]).upper(), f"{table.name}.{column['name']}"
    engine.dispose()
