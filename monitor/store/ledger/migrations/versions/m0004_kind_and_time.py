"""An index by which the events of a kind within a time are found without reading all of that kind."""

from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Index what is there; on a long ledger this takes some seconds, once."""
    op.create_index("event_kind_time", "event", ["kind", "time_s"])
