"""Events in a chain, the outbox, and the core's checkpoint."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_SQLITE_GUARDS = tuple(
    f"CREATE TRIGGER event_no_{what} BEFORE {what} ON event "
    "BEGIN SELECT RAISE(ABORT, 'events are never changed; write a correction'); END"
    for what in ("update", "delete")
)
_POSTGRESQL_GUARDS = (
    "CREATE FUNCTION event_is_final() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'events are never changed; write a correction'; END $$",
    "CREATE TRIGGER event_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON event "
    "FOR EACH STATEMENT EXECUTE FUNCTION event_is_final()",
)


def upgrade() -> None:
    """Make the tables, and guard events against honest mistakes."""
    _make_chain()
    _make_outbox()
    op.create_table(
        "checkpoint",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("arrival_order", sa.BigInteger, nullable=False),
        sa.Column("time_s", sa.Double, nullable=False),
        sa.Column("state", sa.LargeBinary, nullable=False),
    )
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE_GUARDS if on_sqlite else _POSTGRESQL_GUARDS:
        op.execute(statement)


def _make_chain() -> None:
    op.create_table(
        "event",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("time_s", sa.Double, nullable=False),
        sa.Column("entered_s", sa.Double, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("key", sa.Text, unique=True),
        sa.Column("previous_hash", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
    )
    op.create_index("event_subject", "event", ["subject", "number"])
    op.create_index("event_kind", "event", ["kind", "number"])
    op.create_index("event_time", "event", ["time_s"])
    head = op.create_table(
        "chain_head",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
    )
    op.bulk_insert(head, [{"id": 1, "number": 0, "hash": "0" * 64}])


def _make_outbox() -> None:
    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("channel", sa.Text, nullable=False),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("notification", sa.Text, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("next_try_s", sa.Double, nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("last_error", sa.Text, nullable=False),
        sa.Column("settled_s", sa.Double),
        sa.UniqueConstraint("channel", "key", name="outbox_channel_key"),
    )
    op.create_index("outbox_due", "outbox", ["state", "next_try_s"])
