"""The token of a message's short link, by which the message is found."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Messages of before have none: their links say all by themselves."""
    op.add_column("outbox", sa.Column("token", sa.String(40)))
    op.create_index("outbox_token", "outbox", ["token"])
