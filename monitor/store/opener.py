"""Opens the stores that the settings ask for."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from monitor.clock import SystemClock
from monitor.settings.schema import InfluxSection, Settings
from monitor.store.contract import Ledger, SeriesStore
from monitor.store.folder_beside import BesideInFolder
from monitor.store.influx.influx_series import InfluxSeriesStore
from monitor.store.kept_beside import Beside
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.months.shelf import unreadable_months
from monitor.store.series.retention import Retention
from monitor.store.series.set_aside_rows import AsideBound
from monitor.store.series.sqlite_series import MONTHS_FOLDER, SqliteSeriesStore

SERIES_FILE = "series.sqlite"
SPOOL_FILE = "spool.sqlite"
LEDGER_FILE = "ledger.sqlite"


def open_series_store(settings: Settings, now_s: Callable[[], float] | None = None) -> SeriesStore:
    """The series store of the settings; one over InfluxDB sends on in the background from now on."""
    if settings.store.influxdb is not None and settings.store.series == "influxdb":
        store = open_influx(settings, settings.store.influxdb, now_s)
        store.shipper.start()
        return store
    return open_embedded(settings)


def open_embedded(settings: Settings) -> SqliteSeriesStore:
    """The embedded series store in the data folder."""
    return SqliteSeriesStore(
        settings.service.data_dir / SERIES_FILE,
        retention=_retention(settings),
        set_aside=_aside_bound(settings),
        archive=settings.store.archive_dir,
    )


def months_not_readable(settings: Settings) -> list[str]:
    """Archived months of the embedded store whose files cannot be read, in words; nothing is changed."""
    data_dir, store = settings.service.data_dir, settings.store
    if store.series != "sqlite":
        return []
    return unreadable_months(data_dir / SERIES_FILE, store.archive_dir or data_dir / MONTHS_FOLDER)


def open_influx(
    settings: Settings, section: InfluxSection, now_s: Callable[[], float] | None = None
) -> InfluxSeriesStore:
    """The store over InfluxDB with its spool in the data folder; nothing is sent before it is told to."""
    return InfluxSeriesStore(
        section,
        settings.service.data_dir / SPOOL_FILE,
        now_s=now_s or SystemClock().now_s,
        retention=_retention(settings),
        set_aside=_aside_bound(settings),
    )


def _retention(settings: Settings) -> Retention:
    store = settings.store
    return Retention(store.keep_readings_days, store.keep_minutes_days, store.keep_hours_days)


def _aside_bound(settings: Settings) -> AsideBound:
    return AsideBound(settings.store.set_aside_max, settings.store.set_aside_max_bytes)


def ledger_url(settings: Settings) -> str:
    """The ledger's address: the one set, or SQLite in the data folder."""
    if settings.store.ledger_url is not None:
        return settings.store.ledger_url.get_secret_value()
    return f"sqlite:///{(settings.service.data_dir / LEDGER_FILE).absolute()}"


@contextmanager
def opened_beside(settings: Settings) -> Iterator[Beside]:
    """Where accounts, phones and keys lie, for who does not use the ledger itself."""
    if ledger_url(settings).startswith("sqlite"):
        yield BesideInFolder(settings.service.data_dir)
        return
    ledger = open_ledger_for(settings)
    try:
        yield ledger.beside(settings.service.data_dir)
    finally:
        ledger.close()


def open_ledger_for(settings: Settings) -> Ledger:
    """The ledger of the settings, its tables brought up to date."""
    return open_ledger(ledger_url(settings))
