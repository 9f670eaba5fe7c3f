"""All of a record is compared with what its messages make."""

from monitor.shell.compare_stores import ENTRIES, NOT_COMPARED, OTHERWISE
from monitor.store.schema import METADATA


def test_every_table_is_compared_or_has_a_reason_why_not():
    """A9: a table that is added to the schema and forgotten here fails."""
    listed = [entered.table for entered in ENTRIES] + [*OTHERWISE, *NOT_COMPARED]
    assert sorted(table.name for table in listed) == sorted(METADATA.tables)
