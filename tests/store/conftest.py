"""The stores and servers that the tests of this room run against."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest

from monitor.store.contract import SeriesStore
from monitor.store.series_retention import Retention
from monitor.store.sqlite_series import SqliteSeriesStore
from tests.store import servers

SHORT_RETENTION = Retention(readings_days=10, minutes_days=20, hours_days=40)


@dataclass(frozen=True)
class Rig:
    """A store under test; `settle` lets it finish its own background work before it is asked."""

    store: SeriesStore
    settle: Callable[[], None]


@pytest.fixture(params=["sqlite"])
def rig(tmp_path: Path) -> Iterator[Rig]:
    """Every implementation of SeriesStore, each empty."""
    store = SqliteSeriesStore(tmp_path / "series.sqlite", retention=SHORT_RETENTION, set_aside_max=50)
    yield Rig(store, settle=lambda: None)
    store.close()


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """A real PostgreSQL, started once; `USER@HOST:PORT`."""
    programs = servers.postgresql_programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed (apt: postgresql)")
    with servers.postgresql(programs) as server:
        yield server


@pytest.fixture
def postgresql_url(postgresql_server: str) -> str:
    """A database, emptied."""
    with psycopg.connect(f"postgresql://{postgresql_server}/postgres", autocommit=True) as db:
        db.execute("DROP SCHEMA public CASCADE")
        db.execute("CREATE SCHEMA public")
    return f"postgresql+psycopg://{postgresql_server}/postgres"


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Every database the ledger runs on, each empty."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/ledger.sqlite"
    return str(request.getfixturevalue("postgresql_url"))
