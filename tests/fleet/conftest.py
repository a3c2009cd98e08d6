"""A real PostgreSQL and shops that share it."""

from collections.abc import Iterator

import pytest

from tests.store import servers


@pytest.fixture(scope="module")
def postgresql_server() -> Iterator[str]:
    """A real PostgreSQL; `USER@HOST:PORT`."""
    with servers.postgresql_or_skip() as server:
        yield server


@pytest.fixture
def database(postgresql_server: str) -> str:
    """Its address, with nothing in it."""
    return servers.emptied(postgresql_server, "dryshift_fleet", *(f"shop_{name}" for name in "abcd"))
