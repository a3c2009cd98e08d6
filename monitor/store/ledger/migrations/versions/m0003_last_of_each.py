"""An index by which the last event of every subject is found without reading those before it."""

from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Index what is there; on a long ledger this takes some seconds, once."""
    op.create_index("event_kind_subject", "event", ["kind", "subject", "number"])
