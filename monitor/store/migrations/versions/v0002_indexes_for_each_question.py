"""An index for each question that readers ask, so that no answer walks what is old."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_index("alarm_change_by_time", "alarm_change", ["t_ms"])
    op.create_index("drum_by_time", "drum", ["start_ms"])
    op.create_index("drum_by_line_and_time", "drum", ["line", "start_ms"])
    op.create_index("drum_by_name", "drum", ["drum", "start_ms"])
    _partial("drum_without_file", "drum", ["line", "start_m"], "rows_file IS NULL")
    op.create_index("finding_by_kind", "finding", ["kind", "start_ms"])
    _partial("finding_long", "finding", ["line", "start_m"], "(end_m IS NULL OR end_m - start_m > 1000.0)")
    op.create_index("gap_by_time", "gap", ["line", "t_ms"])
    op.drop_index("message_by_stream", "message")
    op.create_index("message_by_stream", "message", ["line", "station", "quantity", "end_ms", "t_ms"])
    op.create_index("proposal_by_time", "proposal", ["t_ms"])
    op.create_index("splice_along", "splice", ["line", "line_metre"])
    op.create_index("state_by_metre", "state_span", ["line", "line_metre", "t_ms"])


def _partial(name: str, table: str, columns: list[str], where: str) -> None:
    op.create_index(name, table, columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))
