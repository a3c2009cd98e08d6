"""Keeps what was forecast at each hour, so that the zones' models learn how far to trust a forecast."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from monitor.outlook.hourly import AHEAD_H, HOUR_S, FloatArray
from monitor.store.kept_beside import Schema
from monitor.store.sqlite_file import SqliteFile
from monitor.weather.provider import OutdoorForecast

FILE = "forecasts.sqlite"
KEEP_DAYS = 70
SPEAKS_S = 12 * HOUR_S  # a forecast fetched longer ago than this was not what people had

_TABLE = """
CREATE TABLE IF NOT EXISTS issue (
    site TEXT NOT NULL, fetched_s REAL NOT NULL, provider TEXT NOT NULL, issued_s REAL NOT NULL,
    first_s REAL NOT NULL, temperature_c BLOB NOT NULL, vapour_pressure_pa BLOB NOT NULL,
    PRIMARY KEY (site, fetched_s)
) STRICT
"""
_CLOUD = "ALTER TABLE issue ADD COLUMN cloud_frac BLOB"  # NULL: not told, or kept before it was
_SCHEMA = Schema(application_id=0x44535746, steps=(_TABLE, _CLOUD))


class ForecastArchive:
    """Issued forecasts of all sites in one small database file."""

    def __init__(self, path: Path) -> None:
        self._file = SqliteFile(path, _SCHEMA)

    def keep(self, site: str, fetched_s: float, forecast: OutdoorForecast) -> None:
        """Remember a forecast as of when it was fetched; the same one again changes nothing."""
        row = (
            site,
            fetched_s,
            forecast.provider,
            forecast.issued_s,
            float(forecast.times_s[0]),
            forecast.temperature_c.astype(np.float32).tobytes(),
            forecast.vapour_pressure_pa.astype(np.float32).tobytes(),
            None if forecast.cloud_frac is None else forecast.cloud_frac.astype(np.float32).tobytes(),
        )
        with self._file.read() as db:
            query = "SELECT count(*) FROM issue WHERE site = ? AND fetched_s = ?"
            if db.execute(query, (site, fetched_s)).fetchone()[0]:
                return
        with self._file.write() as db:
            db.execute("INSERT OR IGNORE INTO issue VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
            oldest_s = fetched_s - KEEP_DAYS * 86_400.0
            db.execute("DELETE FROM issue WHERE site = ? AND fetched_s < ?", (site, oldest_s))

    def issued(self, site: str, start_s: float, rows: int) -> tuple[FloatArray, FloatArray]:
        """What was forecast at each hour for the 48 that followed: temperature and vapour pressure."""
        air, pressure = np.full((rows, AHEAD_H), np.nan), np.full((rows, AHEAD_H), np.nan)
        for row, now_s, forecast in self._told(site, start_s, rows):
            air[row], pressure[row] = forecast.on(now_s + HOUR_S, AHEAD_H)
        return air, pressure

    def issued_cover(self, site: str, start_s: float, rows: int) -> FloatArray:
        """The cloud cover that was forecast at each hour for the 48 that followed."""
        cover = np.full((rows, AHEAD_H), np.nan)
        for row, now_s, forecast in self._told(site, start_s, rows):
            cover[row] = forecast.cover_on(now_s + HOUR_S, AHEAD_H)
        return cover

    def _told(self, site: str, start_s: float, rows: int) -> Iterator[tuple[int, float, OutdoorForecast]]:
        """The forecast that people had at each hour; hours without one are left out."""
        issues = self._issues(site, start_s - SPEAKS_S, start_s + rows * HOUR_S)
        fetched = np.array([fetched_s for fetched_s, _ in issues])
        for row in range(rows):
            now_s = start_s + row * HOUR_S
            newest = int(np.searchsorted(fetched, now_s, side="right")) - 1
            if newest >= 0 and now_s - fetched[newest] <= SPEAKS_S:
                yield row, now_s, issues[newest][1]

    def _issues(self, site: str, from_s: float, until_s: float) -> list[tuple[float, OutdoorForecast]]:
        query = (
            "SELECT fetched_s, provider, issued_s, first_s, temperature_c, vapour_pressure_pa, cloud_frac "
            "FROM issue WHERE site = ? AND fetched_s BETWEEN ? AND ? ORDER BY fetched_s"
        )
        with self._file.read() as db:
            rows = db.execute(query, (site, from_s, until_s)).fetchall()
        found = []
        for fetched_s, provider, issued_s, first_s, air, pressure, cloud in rows:
            temperature = np.frombuffer(air, np.float32).astype(np.float64)
            times = first_s + np.arange(temperature.size) * HOUR_S
            vapour = np.frombuffer(pressure, np.float32).astype(np.float64)
            wind = np.full(temperature.size, np.nan)
            cover = None if cloud is None else np.frombuffer(cloud, np.float32).astype(np.float64)
            forecast = OutdoorForecast(provider, issued_s, times, temperature, vapour, wind, cover)
            found.append((float(fetched_s), forecast))
        return found

    def backup(self, folder: Path) -> Path:
        """A checked copy in a folder, made while the service runs."""
        return self._file.backup(folder / FILE)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
