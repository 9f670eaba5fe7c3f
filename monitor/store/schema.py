"""The store's tables, the same on SQLite and PostgreSQL. One writer; any number of readers."""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from monitor.contract import bounds

# Raised by one with each change of a table; the revision that leads to it lies in monitor/store/migrations/versions.
SCHEMA_VERSION = 15

METADATA = MetaData()
_BigId = BigInteger().with_variant(Integer, "sqlite")

# Messages as they came: the truth everything else can be made again from. `id` rises in the order in which the
# writer of a line took them; several writers may share a store, each with its lines. `crc` is `checksum`'s,
# null where an older program stored the message.
MESSAGE = Table(
    "message",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("id", BigInteger, primary_key=True, autoincrement=False),
    Column("station", String(bounds.NAME), nullable=False),
    Column("quantity", String(bounds.NAME), nullable=False),
    Column("n", BigInteger, nullable=False),
    Column("t_ms", BigInteger, nullable=False),
    Column("end_ms", BigInteger, nullable=False),
    Column("received_ms", BigInteger, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("crc", BigInteger),
    Index("message_by_stream", "line", "station", "quantity", "end_ms", "t_ms"),
    Index("message_by_time", "line", "t_ms"),
)

# What has been stored of each stream: `spans`, JSON of its numberings (`store/numbering.py`), and `upto`, the last
# number of the newest.
LEDGER = Table(
    "ledger",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("station", String(bounds.NAME), primary_key=True),
    Column("quantity", String(bounds.NAME), primary_key=True),
    Column("upto", BigInteger, nullable=False),
    Column("spans", Text, nullable=False),
)

ALARM_CHANGE = Table(
    "alarm_change",
    METADATA,
    Column("id", _BigId, primary_key=True, autoincrement=True),
    Column("line", String(bounds.NAME), nullable=False),
    Column("alarm", String(bounds.ALARM), nullable=False),
    Column("occurrence_ms", BigInteger, nullable=False),
    Column("t_ms", BigInteger, nullable=False),
    Column("event", String(40), nullable=False),
    Column("before", String(40), nullable=False),
    Column("after", String(40), nullable=False),
    Column("priority", String(10), nullable=False),
    Column("value", Float),
    Column("limit_value", Float),
    Column("unit", String(20), nullable=False),
    Column("line_metre", Float),
    Column("recipe", String(bounds.NAME)),
    Column("revision", Integer),
    Column("by_whom", String(bounds.LABEL), nullable=False, default=""),
    Column("reason", Text, nullable=False, default=""),
    Column("until_ms", BigInteger),
    # An engine that is fed again after a restart puts out the same changes again: they must not double.
    UniqueConstraint("line", "alarm", "t_ms", "event", name="alarm_change_once"),
    Index("alarm_change_by_line", "line", "t_ms"),
    Index("alarm_change_by_time", "t_ms"),
)

# The newest change of each alarm: unacknowledged ones are read from here.
ALARM_NOW = Table(
    "alarm_now",
    METADATA,
    *(
        Column(
            c.name,
            c.type,
            primary_key=c.name in ("line", "alarm"),
            nullable=c.nullable and c.name not in ("line", "alarm"),
        )
        for c in ALARM_CHANGE.columns
        if c.name != "id"
    ),
)

# Events by key, each as it is now: `members` is JSON of its alarms, `faults_m` of the newest places of a series.
# `changed_ms`: since when it is so.
OPEN_EVENT = text("(asks OR end_ms IS NULL)")
EVENT = Table(
    "event",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("event", String(bounds.EVENT), primary_key=True),
    Column("kind", String(bounds.NAME), nullable=False),
    Column("start_ms", BigInteger, nullable=False),
    Column("end_ms", BigInteger),
    Column("changed_ms", BigInteger, nullable=False),
    Column("start_m", Float),
    Column("end_m", Float),
    Column("touched_from_m", Float),
    Column("touched_to_m", Float),
    Column("priority", String(10), nullable=False),
    Column("asks", Boolean, nullable=False),
    Column("members", Text, nullable=False),
    Column("faults", Integer, nullable=False),
    Column("faults_m", Text, nullable=False),
    Column("spacing_m", Float),
    Column("answered_by", String(bounds.LABEL), nullable=False),
    Column("answered_ms", BigInteger),
    Index("event_by_metre", "line", "start_m"),
    Index("event_by_change", "line", "changed_ms"),
    Index("event_open", "line", "start_ms", sqlite_where=OPEN_EVENT, postgresql_where=OPEN_EVENT),
)

# Few findings are long or still open: what touches an interval is one of these or begins at most so far before it.
LONG_FINDING_M = 1000.0
LONG_FINDING = text(f"(end_m IS NULL OR end_m - start_m > {LONG_FINDING_M})")

FINDING = Table(
    "finding",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("key", String(240), primary_key=True),
    Column("kind", String(20), nullable=False),
    Column("stream", String(120), nullable=False),
    Column("check_name", String(bounds.NAME), nullable=False),
    Column("verdict", Integer, nullable=False),
    Column("start_m", Float, nullable=False),
    Column("end_m", Float),
    Column("start_ms", BigInteger, nullable=False),
    Column("end_ms", BigInteger),
    Column("extreme", Float),
    Column("limit_value", Float),
    Column("unit", String(20), nullable=False),
    Column("text", Text, nullable=False, default=""),
    Column("by_whom", String(bounds.LABEL), nullable=False, server_default=text("''")),
    Column("reason", Text, nullable=False, server_default=text("''")),
    Index("finding_by_metre", "line", "start_m"),
    Index("finding_long", "line", "start_m", sqlite_where=LONG_FINDING, postgresql_where=LONG_FINDING),
    Index("finding_by_kind", "kind", "start_ms"),
)

WITHOUT_FILE = text("rows_file IS NULL")
TO_COUNT = text("conforming_m IS NULL AND rows_file IS NOT NULL")  # a finding came after the metres were counted

# Fillings, by the number that the monitor gives: a drum's name is a label, which may come back.
DRUM = Table(
    "drum",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("filling", Integer, primary_key=True, autoincrement=False),
    Column("drum", String(bounds.LABEL), nullable=False),
    Column("recipe", String(bounds.NAME), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("start_m", Float, nullable=False),
    Column("end_m", Float),
    Column("start_ms", BigInteger, nullable=False),
    Column("end_ms", BigInteger),
    Column("planned_length_m", Float),
    Column("conforming_m", Float),
    Column("suspect_m", Float),
    Column("unverified_m", Float),
    Column("nonconforming_m", Float),
    Column("rows_file", Text),
    Index("drum_by_metre", "line", "start_m"),
    Index("drum_by_time", "start_ms"),
    Index("drum_by_line_and_time", "line", "start_ms"),
    Index("drum_by_name", "drum", "start_ms"),
    Index("drum_without_file", "line", "start_m", sqlite_where=WITHOUT_FILE, postgresql_where=WITHOUT_FILE),
    Index("drum_to_count", "line", "start_m", sqlite_where=TO_COUNT, postgresql_where=TO_COUNT),
)

# Which drum was put on at which pay-off, and at which line metre its cable goes in: what ancestry is composed from.
SPLICE = Table(
    "splice",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("position", String(bounds.NAME), primary_key=True),
    Column("t_ms", BigInteger, primary_key=True),
    Column("drum", String(bounds.LABEL), nullable=False),
    Column("line_metre", Float, nullable=False),
    Column("left_m", Float),
    Index("splice_by_metre", "line", "position", "line_metre"),
    Index("splice_along", "line", "line_metre"),
    Index("splice_by_drum", "drum"),
)

# Rows of metres not yet in a drum's Parquet file: an Arrow IPC stream of consecutive whole line metres.
METRE_BLOCK = Table(
    "metre_block",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("first_m", BigInteger, primary_key=True),
    Column("rows", Integer, nullable=False),
    Column("verdicts", LargeBinary, nullable=False),  # one int8 a row, for the ribbon
    Column("arrow", LargeBinary, nullable=False),
)

STATE_SPAN = Table(
    "state_span",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("t_ms", BigInteger, primary_key=True),
    Column("state", String(20), nullable=False),
    Column("reason", Text, nullable=False, default=""),
    Column("line_metre", Float, nullable=False),
    Index("state_by_metre", "line", "line_metre", "t_ms"),
)

# Messages that never came. Numbers begin again, in another numbering (`start`) or, from publishers that do not name
# it, in the same one: `t_ms`, the stamp of the message after the gap, is part of the key.
GAP = Table(
    "gap",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("stream", String(120), primary_key=True),
    Column("start", BigInteger, primary_key=True),
    Column("first", BigInteger, primary_key=True),
    Column("t_ms", BigInteger, primary_key=True),
    Column("last", BigInteger, nullable=False),
    Index("gap_by_time", "line", "t_ms"),
)

COUNTER_FAULT = Table(
    "counter_fault",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("t_ms", BigInteger, primary_key=True),
    Column("kind", String(20), nullable=False),
    Column("reading_m", Float, nullable=False),
    Column("expected_m", Float, nullable=False),
    Column("line_metre", Float, nullable=False),
)

# Size and digest of each file of hours and drums as written; `next_sha256` while a new one is getting its name, and
# `damage` in words where a look at it found another.
DAMAGED = text("damage <> ''")
MANIFEST = Table(
    "manifest",
    METADATA,
    Column("path", String(240), primary_key=True),
    Column("line", String(60), nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("next_sha256", String(64), nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    Column("rows", BigInteger, nullable=False),
    Column("damage", Text, nullable=False),
    Index("manifest_by_line", "line", "path"),
    Index("manifest_damaged", "line", "path", sqlite_where=DAMAGED, postgresql_where=DAMAGED),
)

# Counted by kind; the newest example of each is kept for whoever looks into it.
REJECTED = Table(
    "rejected",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("kind", String(40), primary_key=True),
    Column("count", BigInteger, nullable=False),
    Column("newest_ms", BigInteger, nullable=False),
    Column("topic", Text, nullable=False),
    Column("why", Text, nullable=False),
)

# Messages that could not be stored as data, with the bytes that came: the newest of each line.
SET_ASIDE = Table(
    "set_aside",
    METADATA,
    Column("id", _BigId, primary_key=True, autoincrement=True),
    Column("line", String(bounds.NAME), nullable=False),
    Column("station", String(bounds.NAME), nullable=False),
    Column("quantity", String(bounds.NAME), nullable=False),
    Column("start", BigInteger, nullable=False),
    Column("n", BigInteger, nullable=False),
    Column("t_ms", BigInteger, nullable=False),
    Column("set_aside_ms", BigInteger, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("reason", Text, nullable=False),
    Index("set_aside_by_line", "line", "id"),
)

# A line at this moment, as JSON of LineNow: one row a line, for the first page.
LINE_NOW = Table(
    "line_now",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("t_ms", BigInteger, nullable=False),
    Column("now", Text, nullable=False),
)

# Audit trail: actions of people and limits put in force, append-only: each entry's hash covers the one before it on the
# same line, so that a change, a removal or an insertion shows (`everymetre verify`).
JOURNAL = Table(
    "journal",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("seq", BigInteger, primary_key=True, autoincrement=False),
    Column("t_ms", BigInteger, nullable=False),
    Column("who", String(bounds.LABEL), nullable=False),
    Column("action", String(40), nullable=False),
    Column("target", String(240), nullable=False),
    Column("reason", Text, nullable=False),
    Column("before", Text, nullable=False),
    Column("after", Text, nullable=False),
    Column("hash", String(64), nullable=False),
    UniqueConstraint("line", "t_ms", "who", "action", "target", name="journal_once"),
)

# Recipes of the configuration's files. A revision is a content: `digest` is that of `contract.content`.
REVISION = Table(
    "revision",
    METADATA,
    Column("recipe", String(bounds.NAME), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("first_seen_ms", BigInteger, nullable=False),
    Column("text", Text, nullable=False),
    Column("digest", String(64)),
)

# Lines as their files described them: positions, units, streams. `since_m` is the metre at the take-up from which on
# a revision is in force, null for the first; `message_id` is the last message before it, null where an older program
# took it.
LINE_REVISION = Table(
    "line_revision",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("digest", String(64), nullable=False),
    Column("text", Text, nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("since_m", Float),
    Column("message_id", BigInteger),
)

# Proposed changes of limits, and what became of them.
PROPOSAL = Table(
    "proposal",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("proposal", String(bounds.LABEL), primary_key=True),
    Column("recipe", String(bounds.NAME), nullable=False),
    Column("base", Integer, nullable=False),
    Column("state", String(20), nullable=False),
    Column("changes", Text, nullable=False),  # JSON: limit by key
    Column("by_whom", String(bounds.LABEL), nullable=False),
    Column("reason", Text, nullable=False),
    Column("t_ms", BigInteger, nullable=False),
    Column("rehearsal", Text, nullable=False),
    Column("decided_by", String(bounds.LABEL), nullable=False),
    Column("decided_reason", Text, nullable=False),
    Column("decided_ms", BigInteger),
    Column("revision", Integer),
    Index("proposal_by_time", "t_ms"),
)

# Recipes that came into force on a line while it ran, whole, so that any may come back. `message_id` is the last
# message before a recipe that the configuration files brought; null where a message brought it, or an older program
# took it.
IN_FORCE = Table(
    "in_force",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("recipe", String(bounds.NAME), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("t_ms", BigInteger, nullable=False),
    Column("line_metre", Float, nullable=False),
    Column("by_whom", String(bounds.LABEL), nullable=False),
    Column("approved_by", String(bounds.LABEL), nullable=False),
    Column("reason", Text, nullable=False),
    Column("changes", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("message_id", BigInteger),
)

# Status of each monitor process, by the lines it watches, as JSON of the message `health`.
HEALTH = Table(
    "health",
    METADATA,
    Column("monitor", String(240), primary_key=True),
    Column("t_ms", BigInteger, nullable=False),
    Column("said", Text, nullable=False),
)

# The engine's state after message `message_id`: a restart reads it and feeds the messages that followed.
CHECKPOINT = Table(
    "checkpoint",
    METADATA,
    Column("line", String(bounds.NAME), primary_key=True),
    Column("message_id", BigInteger, nullable=False),
    Column("t_ms", BigInteger, nullable=False),
    Column("state", LargeBinary, nullable=False),
)
