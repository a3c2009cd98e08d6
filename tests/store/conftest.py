"""The stores and servers that the tests of this room run against."""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import psycopg
import pytest
from pydantic import SecretStr

from monitor.settings import InfluxSection
from monitor.store.contract import SeriesStore
from monitor.store.influx_series import InfluxSeriesStore
from monitor.store.series_retention import Retention
from monitor.store.sqlite_series import SqliteSeriesStore
from tests.store import servers

SHORT_RETENTION = Retention(readings_days=10, minutes_days=20, hours_days=40)
SOME_DAY_MS = 1_700_006_400_000 + 5 * 3_600_000  # in the middle of what the tests store
FAR_MS = 4_000_000_000_000
_databases = count(1)


@dataclass(frozen=True)
class Rig:
    """A store under test; `settle` lets it finish its own background work before it is asked."""

    store: SeriesStore
    settle: Callable[[], None]


@pytest.fixture(scope="session")
def influx_server() -> Iterator[servers.Influx]:
    """A real InfluxDB 1.6, started once."""
    if shutil.which("influxd") is None:
        pytest.skip("InfluxDB is not installed (apt: influxdb)")
    with servers.influxdb() as server:
        yield server


@pytest.fixture
def influx_section(influx_server: servers.Influx) -> InfluxSection:
    """An empty database of its own, behind the door."""
    name = f"shop_{next(_databases)}"
    influx_server.ask(f"CREATE DATABASE {name}")
    influx_server.door.trouble = lambda path, body: None
    return InfluxSection(
        url=influx_server.door.url,
        username=servers.INFLUX_USER,
        password=SecretStr(servers.INFLUX_PASSWORD),
        database=name,
        batch_count=500,
    )


@pytest.fixture(params=["sqlite", "influxdb here", "influxdb mixed", "influxdb there"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    """Every implementation of SeriesStore, each empty; over InfluxDB with all, some and no numbers here."""
    if request.param == "sqlite":
        store = SqliteSeriesStore(tmp_path / "series.sqlite", retention=SHORT_RETENTION, set_aside_max=50)
        yield Rig(store, settle=lambda: None)
        store.close()
        return
    section = request.getfixturevalue("influx_section")
    shop = InfluxSeriesStore(
        section,
        tmp_path / "spool.sqlite",
        now_s=lambda: 1.7e9,
        retention=SHORT_RETENTION,
        set_aside_max=50,
    )
    before_ms = {"influxdb here": 1, "influxdb mixed": SOME_DAY_MS, "influxdb there": FAR_MS}[request.param]

    def settle() -> None:
        shop.shipper.drain()
        shop.spool.prune(before_ms)

    yield Rig(shop, settle)
    shop.close()


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
