"""Statements are compiled once for all engines of a kind, and never for one of another kind."""

from sqlalchemy import Column, Integer, MetaData, Table, create_engine, select

from tests.statements import Statements

NUMBERS = Table("numbers", MetaData(), Column("n", Integer, primary_key=True))


def test_two_engines_of_a_kind_share_what_was_compiled():
    caches = []
    for _ in range(2):
        engine = create_engine("sqlite://")
        with engine.connect() as connection:
            NUMBERS.create(connection)
            connection.execute(NUMBERS.insert(), {"n": 7})
            assert connection.execute(select(NUMBERS.c.n)).scalars().all() == [7]
            caches.append(connection.get_execution_options()["compiled_cache"])
    assert caches[0] is caches[1]


def test_another_kind_of_database_has_statements_of_its_own():
    statements = Statements(10)
    one, other = (create_engine(url).dialect for url in ("sqlite://", "postgresql+psycopg://"))
    statements[one, "a statement"] = "compiled"
    assert statements.get((create_engine("sqlite://").dialect, "a statement")) == "compiled"
    assert statements.get((other, "a statement")) is None
