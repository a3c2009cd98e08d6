"""The stores and servers that the tests of this room run against."""

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import pytest
import requests
from pydantic import SecretStr

from monitor.settings.schema import InfluxSection
from monitor.store.contract import SeriesStore
from monitor.store.influx.influx_series import InfluxSeriesStore
from monitor.store.months.archiving import archive_month, due_months
from monitor.store.series.retention import Retention
from monitor.store.series.set_aside_rows import AsideBound
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests import disks
from tests.store import servers
from tests.store.draining import drain

SHORT_RETENTION = Retention(readings_days=10, minutes_days=20, hours_days=40)
SOME_DAY_MS = 1_700_006_400_000 + 5 * 3_600_000  # in the middle of what the tests store
FAR_MS = 4_000_000_000_000
_databases = count(1)


def archive_all(store: SqliteSeriesStore) -> int:
    """Pack all there is and move every month into a file of its own; returns how many numbers lie there."""
    store.pack(FAR_MS / 1000.0)
    return sum(archive_month(store, month, {}) for month in due_months(store, FAR_MS, unfinished=False))


@dataclass(frozen=True)
class Rig:
    """A store under test; `settle` lets it finish its own background work before it is asked."""

    store: SeriesStore
    settle: Callable[[], object]


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
    if influx_server.process is None:
        influx_server.start()
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


@pytest.fixture(scope="session")
def metrics_url() -> Iterator[str]:
    """A real VictoriaMetrics, started once."""
    if shutil.which("victoria-metrics") is None:
        pytest.skip("VictoriaMetrics is not installed (apt: victoria-metrics)")
    with servers.victoria_metrics() as url:
        yield url


@pytest.fixture
def metrics_export(metrics_url: str) -> Callable[[], dict[tuple[str, str, str], dict[float, float]]]:
    """Asks VictoriaMetrics for everything it holds, by name, zone and source."""

    def export() -> dict[tuple[str, str, str], dict[float, float]]:
        requests.get(f"{metrics_url}/internal/force_flush", timeout=30)
        reply = requests.get(f"{metrics_url}/api/v1/export", params={"match[]": '{__name__!=""}'}, timeout=30)
        found: dict[tuple[str, str, str], dict[float, float]] = {}
        for line in reply.text.splitlines():
            one = json.loads(line)
            labels = one["metric"]
            times = one["timestamps"]
            assert len(times) == len(set(times)), "a number is there twice"
            place = found.setdefault((labels["__name__"], labels["zone"], labels["source"]), {})
            place.update(zip(times, one["values"], strict=True))
        return found

    return export


@pytest.fixture(
    params=[
        "sqlite",
        "sqlite filed",
        "sqlite packed",
        "sqlite archived",
        "influxdb here",
        "influxdb mixed",
        "influxdb there",
    ]
)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    """Every implementation of SeriesStore, each empty; over InfluxDB with all, some and no numbers here."""
    if request.param.startswith("sqlite"):
        store = SqliteSeriesStore(
            tmp_path / "series.sqlite", retention=SHORT_RETENTION, set_aside=AsideBound(messages=50)
        )
        settle: dict[str, Callable[[], object]] = {
            "sqlite": lambda: None,
            "sqlite filed": store.refresh_rollups,
            "sqlite packed": lambda: store.pack(FAR_MS / 1000.0),
            "sqlite archived": lambda: archive_all(store),
        }
        yield Rig(store, settle=settle[request.param])
        store.close()
        return
    section = request.getfixturevalue("influx_section")
    shop = InfluxSeriesStore(
        section,
        tmp_path / "spool.sqlite",
        now_s=lambda: 1.7e9,
        retention=SHORT_RETENTION,
        set_aside=AsideBound(messages=50),
    )
    before_ms = {"influxdb here": 1, "influxdb mixed": SOME_DAY_MS, "influxdb there": FAR_MS}[request.param]

    def settle() -> None:
        drain(shop.shipper)
        shop.spool.prune(before_ms)

    yield Rig(shop, settle)
    shop.close()


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """A real PostgreSQL, started once; `USER@HOST:PORT`."""
    with servers.postgresql_or_skip() as server:
        yield server


@pytest.fixture
def postgresql_url(postgresql_server: str) -> str:
    """A database, emptied."""
    return servers.emptied(postgresql_server)


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Every database the ledger runs on, each empty."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/ledger.sqlite"
    return str(request.getfixturevalue("postgresql_url"))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of two megabytes; where none can be mounted, the limit on file size stands in for it."""
    with disks.small_disk(tmp_path, 2) as disk:
        yield disk
