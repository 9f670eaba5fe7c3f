"""Last message before a revision of the configuration files."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    for table in ("line_revision", "in_force"):
        op.add_column(table, sa.Column("message_id", sa.BigInteger()))
