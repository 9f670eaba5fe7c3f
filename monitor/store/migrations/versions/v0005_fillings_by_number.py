"""Fillings by number: a drum's name is a label and may come back. Those on record are numbered along their line."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "drum_by_filling",
        sa.Column("line", sa.String(length=60), nullable=False),
        sa.Column("filling", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("drum", sa.String(length=80), nullable=False),
        sa.Column("recipe", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("start_m", sa.Float(), nullable=False),
        sa.Column("end_m", sa.Float(), nullable=True),
        sa.Column("start_ms", sa.BigInteger(), nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=True),
        sa.Column("planned_length_m", sa.Float(), nullable=True),
        sa.Column("conforming_m", sa.Float(), nullable=True),
        sa.Column("suspect_m", sa.Float(), nullable=True),
        sa.Column("unseen_m", sa.Float(), nullable=True),
        sa.Column("nonconforming_m", sa.Float(), nullable=True),
        sa.Column("rows_file", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("line", "filling"),
    )
    rest = (
        "drum, recipe, revision, start_m, end_m, start_ms, end_ms, planned_length_m, "
        "conforming_m, suspect_m, unseen_m, nonconforming_m, rows_file"
    )
    op.execute(
        f"insert into drum_by_filling (line, filling, {rest}) "
        f"select line, row_number() over (partition by line order by start_m, start_ms, drum), {rest} from drum"
    )
    op.drop_table("drum")  # its indexes with it
    op.rename_table("drum_by_filling", "drum")
    if op.get_context().dialect.name == "postgresql":
        op.execute("alter index drum_by_filling_pkey rename to drum_pkey")
    op.create_index("drum_by_metre", "drum", ["line", "start_m"])
    op.create_index("drum_by_time", "drum", ["start_ms"])
    op.create_index("drum_by_line_and_time", "drum", ["line", "start_ms"])
    op.create_index("drum_by_name", "drum", ["drum", "start_ms"])
    without_file = sa.text("rows_file IS NULL")
    op.create_index(
        "drum_without_file", "drum", ["line", "start_m"], sqlite_where=without_file, postgresql_where=without_file
    )
    _number_the_present()


def _number_the_present() -> None:
    """The first page reads a line's drum from JSON: give it the number too."""
    connection = op.get_bind()
    line_now = sa.table("line_now", sa.column("line"), sa.column("now"))
    drum = sa.table("drum", sa.column("line"), sa.column("drum"), sa.column("filling"))
    for line, text in connection.execute(sa.select(line_now.c.line, line_now.c.now)).all():
        now = json.loads(text)
        wanted = sa.select(sa.func.max(drum.c.filling)).where(drum.c.line == line, drum.c.drum == now["drum"])
        now["filling"] = connection.execute(wanted).scalar()
        connection.execute(sa.update(line_now).where(line_now.c.line == line).values(now=json.dumps(now)))
