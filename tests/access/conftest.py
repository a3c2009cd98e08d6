"""A real PostgreSQL for accounts that lie beside a ledger there."""

from collections.abc import Iterator

import pytest

from tests.store import servers


@pytest.fixture(scope="module")
def postgresql_server() -> Iterator[str]:
    """`USER@HOST:PORT`."""
    with servers.postgresql_or_skip() as server:
        yield server
