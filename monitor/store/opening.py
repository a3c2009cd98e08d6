"""Opens the stores that the settings ask for."""

from monitor.settings import Settings
from monitor.store.contract import Ledger, SeriesStore
from monitor.store.ledger import open_ledger
from monitor.store.series_retention import Retention
from monitor.store.sqlite_series import SqliteSeriesStore

SERIES_FILE = "series.sqlite"
LEDGER_FILE = "ledger.sqlite"


def retention_of(settings: Settings) -> Retention:
    """How long each level is kept."""
    store = settings.store
    return Retention(store.keep_readings_days, store.keep_minutes_days, store.keep_hours_days)


def open_series_store(settings: Settings) -> SeriesStore:
    """The series store of the settings."""
    return SqliteSeriesStore(
        settings.service.data_dir / SERIES_FILE,
        retention=retention_of(settings),
        set_aside_max=settings.store.set_aside_max,
    )


def ledger_url(settings: Settings) -> str:
    """The ledger's address: the one set, or SQLite in the data folder."""
    if settings.store.ledger_url is not None:
        return settings.store.ledger_url.get_secret_value()
    return f"sqlite:///{(settings.service.data_dir / LEDGER_FILE).absolute()}"


def open_ledger_for(settings: Settings) -> Ledger:
    """The ledger of the settings, its tables brought up to date."""
    return open_ledger(ledger_url(settings))
