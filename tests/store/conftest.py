"""The stores and servers that the tests of this room run against."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.store.contract import SeriesStore
from monitor.store.series_retention import Retention
from monitor.store.sqlite_series import SqliteSeriesStore

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
