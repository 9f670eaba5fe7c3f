"""Gaps of each numbering: numbers begin again, and what was lost then replaced what was lost before."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    op.create_table(
        "gap_by_numbering",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("stream", sa.String(length=120), nullable=False),
        sa.Column("start", sa.BigInteger(), nullable=False),
        sa.Column("first", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("line", "stream", "start", "first", "t_ms"),
    )
    op.execute(
        "insert into gap_by_numbering (line, stream, start, first, t_ms, last) "
        "select line, stream, 0, first, t_ms, last from gap"
    )
    op.drop_table("gap")  # its index with it
    op.rename_table("gap_by_numbering", "gap")
    if op.get_context().dialect.name == "postgresql":
        op.execute("alter index gap_by_numbering_pkey rename to gap_pkey")
    op.create_index("gap_by_time", "gap", ["line", "t_ms"])
    _name_numberings()


def _name_numberings() -> None:
    """The message after a gap names its numbering, as long as the database has it."""
    connection = op.get_bind()
    followed = sa.text(
        "select g.line, g.stream, g.first, g.t_ms, m.payload from gap g join message m on m.line = g.line "
        "and m.t_ms = g.t_ms and m.n = g.last + 1 and m.station || '/' || m.quantity = g.stream"
    )
    name = sa.text(
        "update gap set start = :start where line = :line and stream = :stream and first = :first and t_ms = :t_ms"
    )
    named = [
        {"line": line, "stream": stream, "first": first, "t_ms": t_ms, "start": start}
        for line, stream, first, t_ms, payload in connection.execute(followed)
        if (start := json.loads(bytes(payload)).get("start", 0))
    ]
    if named:
        connection.execute(name, named)
