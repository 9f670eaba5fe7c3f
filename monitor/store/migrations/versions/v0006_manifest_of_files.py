"""A manifest of the files of hours and drums; files that are there already enter it when they are written again."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.create_table(
        "manifest",
        sa.Column("path", sa.String(length=240), nullable=False),
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("next_sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("damage", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("path"),
    )
    op.create_index("manifest_by_line", "manifest", ["line", "path"])
