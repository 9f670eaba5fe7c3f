"""Revisions of lines and digests of revisions; a recipe's digest that is null follows from its text."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "line_revision",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("since_m", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("line", "revision"),
    )
    op.add_column("revision", sa.Column("digest", sa.String(length=64), nullable=True))
