"""Index of drums to count."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    to_count = sa.text("conforming_m IS NULL AND rows_file IS NOT NULL")
    op.create_index("drum_to_count", "drum", ["line", "start_m"], sqlite_where=to_count, postgresql_where=to_count)
