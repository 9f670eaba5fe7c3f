"""Index of damaged files."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    damaged = sa.text("damage <> ''")
    op.create_index("manifest_damaged", "manifest", ["line", "path"], sqlite_where=damaged, postgresql_where=damaged)
