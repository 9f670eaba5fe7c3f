"""Events with their alarms."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    op.create_table(
        "event",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("event", sa.String(length=220), nullable=False),
        sa.Column("kind", sa.String(length=60), nullable=False),
        sa.Column("start_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_ms", sa.BigInteger()),
        sa.Column("changed_ms", sa.BigInteger(), nullable=False),
        sa.Column("start_m", sa.Float()),
        sa.Column("end_m", sa.Float()),
        sa.Column("touched_from_m", sa.Float()),
        sa.Column("touched_to_m", sa.Float()),
        sa.Column("priority", sa.String(length=10), nullable=False),
        sa.Column("asks", sa.Boolean(), nullable=False),
        sa.Column("members", sa.Text(), nullable=False),
        sa.Column("faults", sa.Integer(), nullable=False),
        sa.Column("faults_m", sa.Text(), nullable=False),
        sa.Column("spacing_m", sa.Float()),
        sa.Column("answered_by", sa.String(length=80), nullable=False),
        sa.Column("answered_ms", sa.BigInteger()),
        sa.PrimaryKeyConstraint("line", "event"),
    )
    still = sa.text("(asks OR end_ms IS NULL)")
    op.create_index("event_by_metre", "event", ["line", "start_m"])
    op.create_index("event_by_change", "event", ["line", "changed_ms"])
    op.create_index("event_open", "event", ["line", "start_ms"], sqlite_where=still, postgresql_where=still)
