"""Index of messages by time."""

from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    op.create_index("message_by_time", "message", ["line", "t_ms"])
