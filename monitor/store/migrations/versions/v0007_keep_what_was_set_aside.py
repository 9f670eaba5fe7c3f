"""Keep what was set aside."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "set_aside",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("quantity", sa.String(length=60), nullable=False),
        sa.Column("start", sa.BigInteger(), nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("set_aside_ms", sa.BigInteger(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("set_aside_by_line", "set_aside", ["line", "id"])
