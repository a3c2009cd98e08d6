"""The tables of the ledger as the queries see them; the migrations make them."""

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

METADATA = MetaData()

EVENT = Table(
    "event",
    METADATA,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(40), nullable=False),
    Column("subject", Text, nullable=False),
    Column("time_s", Double, nullable=False),
    Column("entered_s", Double, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("key", Text, unique=True),
    Column("previous_hash", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    Index("event_subject", "subject", "number"),
    Index("event_kind", "kind", "number"),
    Index("event_kind_subject", "kind", "subject", "number"),
    Index("event_kind_time", "kind", "time_s"),
    Index("event_time", "time_s"),
)

# The end of the chain, so that events taken off the end are missed.
CHAIN_HEAD = Table(
    "chain_head",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("number", Integer, nullable=False),
    Column("hash", String(64), nullable=False),
)

OUTBOX = Table(
    "outbox",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("channel", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("notification", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("next_try_s", Double, nullable=False),
    Column("state", String(20), nullable=False),
    Column("last_error", Text, nullable=False),
    Column("settled_s", Double),
    Column("token", String(40)),  # what the message's link ends with
    UniqueConstraint("channel", "key", name="outbox_channel_key"),
    Index("outbox_due", "state", "next_try_s"),
    Index("outbox_token", "token"),
)

CHECKPOINT = Table(
    "checkpoint",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("arrival_order", BigInteger, nullable=False),
    Column("time_s", Double, nullable=False),
    Column("state", LargeBinary, nullable=False),
)

# The sites whose ledger this is, where several shops could be pointed at one database.
OWNER = Table(
    "owner",
    METADATA,
    Column("site", Text, primary_key=True),
)
