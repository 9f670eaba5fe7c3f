"""Checksum of each message."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    op.add_column("message", sa.Column("crc", sa.BigInteger()))
