"""Who did it and why become columns of a finding; what an event check marks is of kind `fault`, once `event`."""

import json
import re
from collections.abc import Iterable

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

ACTS = ("mark", "work", "handover", "resistance", "decision")
MEASURED = re.compile(r"^(.*?) ?\(([^ ()]+ ohm at [^ ()]+ degC)\)$", re.DOTALL)
SIGNERS = (
    ("alarm_change", "by_whom"),
    ("proposal", "by_whom"),
    ("proposal", "decided_by"),
    ("in_force", "by_whom"),
    ("in_force", "approved_by"),
)


def upgrade() -> None:
    op.add_column("finding", sa.Column("by_whom", sa.String(length=80), nullable=False, server_default=sa.text("''")))
    op.add_column("finding", sa.Column("reason", sa.Text(), nullable=False, server_default=sa.text("''")))
    connection = op.get_bind()
    connection.execute(sa.text("update finding set kind = 'fault' where kind = 'event'"))
    names = sorted(_names(connection), key=len, reverse=True)
    columns = ("line", "key", "kind", "text", "by_whom", "reason")
    acts = sa.table("finding", *(sa.column(name) for name in columns))
    wanted = sa.select(acts.c.line, acts.c.key, acts.c.kind, acts.c.text).where(acts.c.kind.in_(ACTS))
    for line, key, kind, text in connection.execute(wanted).all():
        by, reason, rest = parted(text, kind, names)
        chosen = sa.update(acts).where(acts.c.line == line, acts.c.key == key)
        connection.execute(chosen.values(by_whom=by[:80], reason=reason, text=rest))


def parted(text: str, kind: str, names: Iterable[str]) -> tuple[str, str, str]:
    """Who, why and what was measured, from `who: why (measured)`; a known name may hold a colon itself."""
    measured = MEASURED.match(text) if kind == "resistance" else None
    said, rest = (measured[1], measured[2]) if measured else (text, "")
    for name in names:
        if said.removesuffix(": ") == name:
            return name, "", rest
        if said.startswith(f"{name}: "):
            return name, said.removeprefix(f"{name}: "), rest
    by, _, reason = said.partition(": ")
    return by, reason, rest


def _names(connection: sa.Connection) -> set[str]:
    """Everyone who is named in a field of their own: beside alarms and limits, and in messages not yet in files."""
    found: set[str] = set()
    for table, column in SIGNERS:
        found |= set(connection.execute(sa.select(sa.column(column)).select_from(sa.table(table)).distinct()).scalars())
    message = sa.table("message", sa.column("station"), sa.column("quantity"), sa.column("payload"))
    told = sa.select(message.c.payload).where(message.c.station == "operator", message.c.quantity == "action")
    for payload in connection.execute(told).scalars():
        found.add(json.loads(bytes(payload)).get("by", ""))
    return {name for name in found if name}
