"""The tables of program version 0.4.0, which kept no schema version: what is missing is created, as it did itself."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "alarm_change",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("alarm", sa.String(length=200), nullable=False),
        sa.Column("occurrence_ms", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("event", sa.String(length=40), nullable=False),
        sa.Column("before", sa.String(length=40), nullable=False),
        sa.Column("after", sa.String(length=40), nullable=False),
        sa.Column("priority", sa.String(length=10), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("limit_value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("line_metre", sa.Float(), nullable=True),
        sa.Column("recipe", sa.String(length=60), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=True),
        sa.Column("by_whom", sa.String(length=80), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("line", "alarm", "t_ms", "event", name="alarm_change_once"),
        if_not_exists=True,
    )
    op.create_index("alarm_change_by_line", "alarm_change", ["line", "t_ms"], if_not_exists=True)
    op.create_table(
        "alarm_now",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("alarm", sa.String(length=200), nullable=False),
        sa.Column("occurrence_ms", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("event", sa.String(length=40), nullable=False),
        sa.Column("before", sa.String(length=40), nullable=False),
        sa.Column("after", sa.String(length=40), nullable=False),
        sa.Column("priority", sa.String(length=10), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("limit_value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("line_metre", sa.Float(), nullable=True),
        sa.Column("recipe", sa.String(length=60), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=True),
        sa.Column("by_whom", sa.String(length=80), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("line", "alarm"),
        if_not_exists=True,
    )
    op.create_table(
        "checkpoint",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("message_id", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("line"),
        if_not_exists=True,
    )
    op.create_table(
        "counter_fault",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("reading_m", sa.Float(), nullable=False),
        sa.Column("expected_m", sa.Float(), nullable=False),
        sa.Column("line_metre", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("line", "t_ms"),
        if_not_exists=True,
    )
    op.create_table(
        "drum",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("drum", sa.String(length=80), nullable=False),
        sa.Column("recipe", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("start_m", sa.Float(), nullable=False),
        sa.Column("end_m", sa.Float(), nullable=True),
        sa.Column("start_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=True),
        sa.Column("planned_length_m", sa.Float(), nullable=True),
        sa.Column("conforming_m", sa.Float(), nullable=True),
        sa.Column("suspect_m", sa.Float(), nullable=True),
        sa.Column("unseen_m", sa.Float(), nullable=True),
        sa.Column("nonconforming_m", sa.Float(), nullable=True),
        sa.Column("rows_file", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("line", "drum"),
        if_not_exists=True,
    )
    op.create_index("drum_by_metre", "drum", ["line", "start_m"], if_not_exists=True)
    op.create_table(
        "finding",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("key", sa.String(length=240), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("stream", sa.String(length=120), nullable=False),
        sa.Column("check_name", sa.String(length=60), nullable=False),
        sa.Column("verdict", sa.Integer(), nullable=False),
        sa.Column("start_m", sa.Float(), nullable=False),
        sa.Column("end_m", sa.Float(), nullable=True),
        sa.Column("start_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=True),
        sa.Column("extreme", sa.Float(), nullable=True),
        sa.Column("limit_value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("line", "key"),
        if_not_exists=True,
    )
    op.create_index("finding_by_metre", "finding", ["line", "start_m"], if_not_exists=True)
    op.create_table(
        "gap",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("stream", sa.String(length=120), nullable=False),
        sa.Column("first", sa.BigInteger(), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("line", "stream", "first"),
        if_not_exists=True,
    )
    op.create_table(
        "health",
        sa.Column("monitor", sa.String(length=240), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("monitor"),
        if_not_exists=True,
    )
    op.create_table(
        "in_force",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("recipe", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("line_metre", sa.Float(), nullable=False),
        sa.Column("by_whom", sa.String(length=80), nullable=False),
        sa.Column("approved_by", sa.String(length=80), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("line", "recipe", "revision"),
        if_not_exists=True,
    )
    op.create_table(
        "journal",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=80), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("target", sa.String(length=240), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("line", "seq"),
        sa.UniqueConstraint("line", "t_ms", "who", "action", "target", name="journal_once"),
        if_not_exists=True,
    )
    op.create_table(
        "ledger",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("quantity", sa.String(length=60), nullable=False),
        sa.Column("upto", sa.BigInteger(), nullable=False),
        sa.Column("spans", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("line", "station", "quantity"),
        if_not_exists=True,
    )
    op.create_table(
        "line_now",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("now", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("line"),
        if_not_exists=True,
    )
    op.create_table(
        "message",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("quantity", sa.String(length=60), nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("line", "id"),
        if_not_exists=True,
    )
    op.create_index("message_by_stream", "message", ["line", "station", "quantity", "t_ms"], if_not_exists=True)
    op.create_table(
        "metre_block",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("first_m", sa.BigInteger(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("verdicts", sa.LargeBinary(), nullable=False),
        sa.Column("arrow", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("line", "first_m"),
        if_not_exists=True,
    )
    op.create_table(
        "proposal",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("proposal", sa.String(length=80), nullable=False),
        sa.Column("recipe", sa.String(length=60), nullable=False),
        sa.Column("base", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.String(length=80), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("rehearsal", sa.Text(), nullable=False),
        sa.Column("decided_by", sa.String(length=80), nullable=False),
        sa.Column("decided_reason", sa.Text(), nullable=False),
        sa.Column("decided_ms", sa.BigInteger(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("line", "proposal"),
        if_not_exists=True,
    )
    op.create_table(
        "rejected",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.Column("newest_ms", sa.BigInteger(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("line", "kind"),
        if_not_exists=True,
    )
    op.create_table(
        "revision",
        sa.Column("recipe", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("first_seen_ms", sa.BigInteger(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("recipe", "revision"),
        if_not_exists=True,
    )
    op.create_table(
        "splice",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("position", sa.String(length=60), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("drum", sa.String(length=80), nullable=False),
        sa.Column("line_metre", sa.Float(), nullable=False),
        sa.Column("left_m", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("line", "position", "t_ms"),
        if_not_exists=True,
    )
    op.create_index("splice_by_drum", "splice", ["drum"], if_not_exists=True)
    op.create_index("splice_by_metre", "splice", ["line", "position", "line_metre"], if_not_exists=True)
    op.create_table(
        "state_span",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("line_metre", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("line", "t_ms"),
        if_not_exists=True,
    )
