"""What a commit writes to a small board's card is bounded, whatever is stored already."""

from pathlib import Path

from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.file import load
from monitor.store.opener import open_series_store
from tests.test_settings import SMALL, write

PAGE_BYTES = 4_096 + 24  # a frame of SQLite's write-ahead log with its head (sqlite.org/fileformat2, 4.1)
MOST_PAGES = 2  # of a commit of one message: the end of one table; a second where its page is full
COMMITS = 40
START_S = 1_788_912_000.0


def test_a_commit_writes_few_pages_however_much_is_stored(tmp_path: Path) -> None:
    series = open_series_store(load(write(tmp_path, SMALL)))
    try:
        log = tmp_path / "var" / "series.sqlite-wal"
        keys = [
            SeriesKey("slip-bay", f"bay-{n}", quantity)
            for n in range(50)
            for quantity in (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
        ]
        for minute in range(30):
            time_s = START_S + 60.0 * minute
            series.append([Reading(key, time_s, time_s, 0.5 + minute / 100) for key in keys])
        before, grown = log.stat().st_size, 0
        for n in range(COMMITS):
            time_s = START_S + 1_800.0 + n
            series.append([Reading(key, time_s, time_s, 0.4) for key in keys[2 * n % 100 :][:2]])
            grown = max(grown, log.stat().st_size)
        assert before < grown  # it was not begun anew meanwhile
        assert (grown - before) / COMMITS <= MOST_PAGES * PAGE_BYTES
    finally:
        series.close()
