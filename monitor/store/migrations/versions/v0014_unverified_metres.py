"""Unverified metres: the word of the standards for what was called unseen."""

from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    op.execute("alter table drum rename column unseen_m to unverified_m")
    op.execute(
        "update finding set check_name = 'unverified', key = replace(key, '/unseen@', '/unverified@') "
        "where check_name = 'unseen'"
    )
