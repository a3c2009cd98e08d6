"""A yard in a folder of its own; its ledger in SQLite, or on a real PostgreSQL."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bookkeeper.yard import Yard, yard_settings
from tests.store import servers


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    yard = Yard(tmp_path, yard_settings(tmp_path))
    yield yard
    yard.close()


@pytest.fixture
def worded_yard(tmp_path: Path) -> Iterator[Yard]:
    """A yard whose rules name who lets a cabinet stop a wire's hours, and who reads a hold as a new count."""
    words = [
        {"consumable": "fcaw-folded-h8", "cabinet_permission": "the engineer, letter of 3 May"},
        {"consumable": "e7018", "hold_restarts_clock": True, "document": "WPS 7"},
    ]
    yard = Yard(tmp_path, yard_settings(tmp_path, shop_rules=words))
    yield yard
    yard.close()


@pytest.fixture(scope="module")
def postgresql_server() -> Iterator[str]:
    """A real PostgreSQL; `USER@HOST:PORT`."""
    with servers.postgresql_or_skip() as server:
        yield server


@pytest.fixture
def postgresql_yard(postgresql_server: str, tmp_path: Path) -> Iterator[Yard]:
    """A yard whose ledger is an empty database there."""
    url = servers.emptied(postgresql_server)
    yard = Yard(tmp_path, yard_settings(tmp_path), ledger_url=url)
    yield yard
    yard.close()
