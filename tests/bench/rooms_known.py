"""Learns from the open records how rooms answer, for zones that have not spoken yet: `shared/rooms_known.toml`.

    python -m tests.bench.rooms_known learn FOLDER     prints the file
    python -m tests.bench.rooms_known score FOLDER     first weeks of every record, its building left out

FOLDER holds the open measured data. Forecasts are as wrong as typical skill says (seeded).
"""

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.engine.rehearsal import Weather, foreseen
from monitor.outlook.backtest import Recording
from monitor.outlook.bank import track
from monitor.outlook.early import KnownRoom, RoomsKnown, groups_of, quantity_name
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import DAY_H, HOUR_S, AirHistory, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import Found, Space, drivers, group_columns
from monitor.weather.recordings import open_recordings

SHRINK = 0.05
LEVELS = (np.arange(20) + 0.5) / 20
FIRST_DAYS, EVERY_DAYS, MOST_STARTS = 26, 17, 10
SOURCE = (
    "learnt here from hourly records of {0}: Candanedo, Feldheim, Deramaix, Energy and Buildings 140 (2017) "
    "81-97 (UCI, CC BY 4.0) and the TRH database (CC BY 4.0) with Finnish Meteorological Institute open data"
)
HEAD = """# How rooms known before answered the hour, the past day and the weather, by horizon; what a zone is foretold
# with until its own models have had their days. Made by `python -m tests.bench.rooms_known learn FOLDER`;
# slopes by quantity are tables of horizons (rows: 1, 2, 3, 4, 6, 9, 12, 15, … 48 h) and inputs (columns).
"""


def building(name: str) -> str:
    """Rooms of one house are one building; its attic answers otherwise but has the same weather and people."""
    if name.startswith("house"):
        return "house"
    return "two-storey house" if name in ("lived-in house", "unheated attic") else name


def seen(recordings: Sequence[Recording], weather: Weather) -> list[Recording]:
    """The records with the weather as it would have been foreseen."""
    return [
        replace(one, outdoor=foreseen(one.outdoor, one.history.temperature_c.size, weather, n))
        for n, one in enumerate(recordings)
    ]


def slopes(record: Recording, *, temperature: bool, sighted: bool) -> FloatArray:
    """How one record answered: (knots, inputs)."""
    outdoor = record.outdoor if sighted else None
    d = drivers(record.history, outdoor, Space.TEMPERATURE if temperature else Space.DEW_POINT)
    rows, found = [], Found()
    for h in KNOTS_H:
        inputs = group_columns(d, h, groups_of(sighted=sighted), found)
        change = shifted(d.zone, h) - d.zone
        use = np.isfinite(inputs).all(axis=1) & np.isfinite(change)
        x, y = inputs[use], change[use]
        scale = np.maximum(x.std(axis=0), 1e-9)
        z = (x - x.mean(axis=0)) / scale
        square = z.T @ z / len(y) + SHRINK * np.eye(z.shape[1])
        rows.append(np.linalg.solve(square, z.T @ (y - y.mean()) / len(y)) / scale)
    return np.array(rows)


def learn(recordings: Sequence[Recording]) -> RoomsKnown:
    """Rooms people live or work in, one voice a building, and roofs open to the weather."""
    rooms = []
    for name, attic in (("a room in a building", False), ("an unheated space under a roof", True)):
        chosen = [one for one in recordings if ("attic" in one.name) is attic]
        if not chosen:
            continue
        slope = {}
        for temperature in (False, True):
            for sighted in (False, True):
                by_building: dict[str, list[FloatArray]] = {}
                for one in chosen:
                    found = slopes(one, temperature=temperature, sighted=sighted)
                    by_building.setdefault(building(one.name), []).append(found)
                means = [np.mean(found, axis=0) for found in by_building.values()]
                slope[quantity_name(temperature=temperature, sighted=sighted)] = np.mean(means, axis=0)
        rooms.append(KnownRoom(name, not attic, slope))
    known = RoomsKnown(tuple(rooms))
    return replace(known, error_shape=error_shape(recordings, known))


def error_shape(recordings: Sequence[Recording], known: RoomsKnown) -> dict[str, FloatArray]:
    """Quantiles of the size of early errors over the zone's mean change, by quantity: (knots, levels)."""
    shape = {}
    for temperature in (False, True):
        for sighted in (False, True):
            by_building: dict[str, list[FloatArray]] = {}
            for record in recordings:
                for history, outdoor in first_weeks(record, sighted=sighted):
                    found = track(history, outdoor, temperature=temperature, known=known)
                    usual = np.nanmean(found.moved, axis=0)
                    size = np.abs(found.error[3 * DAY_H : 20 * DAY_H]) / usual
                    by_building.setdefault(building(record.name), []).append(
                        np.nanquantile(size, LEVELS, axis=0).T
                    )
            means = [np.mean(found, axis=0) for found in by_building.values()]
            shape[quantity_name(temperature=temperature, sighted=sighted)] = np.mean(means, axis=0)
    return shape


def first_weeks(record: Recording, *, sighted: bool) -> list[tuple[AirHistory, OutdoorAir | None]]:
    """Parts of a record, as if the zone had been young then."""
    rows = record.history.temperature_c.size
    starts = list(range(0, rows - FIRST_DAYS * DAY_H - 50, EVERY_DAYS * DAY_H))
    starts = starts[:: max(1, len(starts) // (MOST_STARTS - 2))] if len(starts) > MOST_STARTS else starts
    return [part(record, start, sighted=sighted) for start in starts]


def part(record: Recording, start: int, *, sighted: bool) -> tuple[AirHistory, OutdoorAir | None]:
    """The first weeks from a row on."""
    whole, outdoor = record.history, record.outdoor
    here = slice(start, start + FIRST_DAYS * DAY_H + 1)

    def cut(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else values[here]

    history = AirHistory(
        whole.zone,
        whole.start_s + start * HOUR_S,
        whole.temperature_c[here],
        whole.vapour_pressure_pa[here],
        neighbour_pressure_pa=cut(whole.neighbour_pressure_pa),
    )
    if outdoor is None or not sighted:
        return history, None
    longer = slice(here.start, here.stop + 48)
    return history, OutdoorAir(
        outdoor.temperature_c[longer],
        outdoor.vapour_pressure_pa[longer],
        cut(outdoor.issued_temperature_c),
        cut(outdoor.issued_pressure_pa),
    )


def written(known: RoomsKnown, names: Sequence[str]) -> str:
    """The data file."""
    source = SOURCE.format(", ".join(names))
    lines = [HEAD]
    for room in known.rooms:
        lines += [
            "[[room]]",
            f'name = "{room.name}"',
            f"anywhere = {str(room.anywhere).lower()}  # believed in a new zone before anything was judged there",
            'status = "published"',
            f'source = "{source}"',
            "[room.slope]",
            *(f"{name} = {_rows(table)}" for name, table in room.slope.items()),
            "",
        ]
    assert known.error_shape is not None
    lines += [
        "# Quantiles (2.5, 7.5, … 97.5 %) of the size of an early error over the zone's own mean change.",
        "[error_shape]",
        'status = "published"',
        f'source = "{source}"',
        "[error_shape.size]",
        *(f"{name} = {_rows(table)}" for name, table in known.error_shape.items()),
    ]
    return "\n".join(lines) + "\n"


def _rows(table: FloatArray) -> str:
    return "[\n" + "".join(f"  [{', '.join(f'{v:.3g}' for v in row)}],\n" for row in table) + "]"


if __name__ == "__main__":
    command, folder = sys.argv[1:]
    records = seen(open_recordings(Path(folder)), "typical")
    if command == "learn":
        print(written(learn(records), [one.name for one in records]), end="")
