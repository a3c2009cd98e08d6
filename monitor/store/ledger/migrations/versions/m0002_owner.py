"""Whose ledger this is, where several shops could be pointed at one database."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the table; the first service that starts enters its sites."""
    op.create_table("owner", sa.Column("site", sa.Text, primary_key=True))
