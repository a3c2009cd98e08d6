"""Learns from the open records how rooms answer, for zones that have not spoken yet.

    python -m tests.bench.rooms_known learn FOLDER     prints `shared/rooms_known.toml`
    python -m tests.bench.rooms_known score FOLDER     first weeks of every record, its building left out

FOLDER holds the open measured data. Forecasts are as wrong as typical skill says (seeded).
"""

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np

from monitor.engine.rehearsal import Weather, foreseen
from monitor.outlook.backtest import Recording
from monitor.outlook.bands import bands_of
from monitor.outlook.bank import Track, track
from monitor.outlook.early import SIGHTED, KnownRoom, RoomsKnown, groups_of, quantity_name
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import DAY_H, HOUR_S, AirHistory, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import Found, Space, drivers, group_columns
from monitor.outlook.ridge import day_of
from monitor.weather.recordings import open_recordings

SHRINK = 0.05
AS_YESTERDAY = "a place as far from the outdoor air as yesterday"
# The inputs of one horizon with weather, in the order of `early.SIGHTED`; some groups have two or three.
ORDER = [name for name in SIGHTED for _ in range({"trend": 2, "coming": 2, "exchange": 3}.get(name, 1))]
LEVELS = (np.arange(20) + 0.5) / 20
FIRST_DAYS, EVERY_DAYS, MOST_STARTS = 26, 17, 10
SOURCE = (
    "learnt here from hourly records of {0}: Candanedo, Feldheim, Deramaix, Energy and Buildings 140 (2017) "
    "81-97 (UCI, CC BY 4.0) and the TRH database (CC BY 4.0) with Finnish Meteorological Institute open data"
)
COMMON_STATUS = 'status = "common practice"'
COMMON_SOURCE = (
    'source = "slopes of one, by construction; chosen because it held the open attic in its first weeks"'
)
HEAD = """# How rooms known before answered the hour, the past day and the weather, by horizon; what a zone is
# foretold with until its own models have had their days. Slopes by quantity are tables of horizons (rows: 1,
# 2, 3, 4, 6, 9, 12, 15, ... 48 h) and inputs (columns, in the order of `monitor/outlook/early.py`).
# Made by `python -m tests.bench.rooms_known learn FOLDER`.
"""


def building(name: str) -> str:
    """Rooms of one house are one building, its attic too: it has the same weather and people."""
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
    """Rooms, and how their early errors lie about their own changes."""
    known = RoomsKnown(learn_rooms(recordings))
    return replace(known, error_shape=error_shape(recordings, known))


def learn_rooms(recordings: Sequence[Recording]) -> tuple[KnownRoom, ...]:
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
    return (*rooms, as_yesterday())


def as_yesterday() -> KnownRoom:
    """A place that stands as far from the outdoor air as at the same hour of the day before."""
    slope = np.zeros((len(KNOTS_H), len(ORDER)))
    slope[:, ORDER.index("same hour")] = 1.0
    slope[:, ORDER.index("unlike yesterday")] = -1.0
    names = (quantity_name(temperature=temperature, sighted=True) for temperature in (False, True))
    return KnownRoom(AS_YESTERDAY, False, dict.fromkeys(names, slope))


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
            f"anywhere = {str(room.anywhere).lower()}",  # believed before it was judged
            *(
                [COMMON_STATUS, COMMON_SOURCE]
                if room.name == AS_YESTERDAY
                else ['status = "published"', f'source = "{source}"']
            ),
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


PARTS = ((1, 3), (3, 7), (7, 10), (10, 14), (14, 24))
SHOWN_H = (6, 12, 24)


def score(recordings: Sequence[Recording], weather: Weather) -> list[str]:
    """Error over the best plain baseline's, and how often 80 % bands hold, by day; its building left out."""
    sighted, lines = weather != "none", []
    whole = seen(recordings, "typical")
    known = {
        place: learn([r for r in whole if building(r.name) != place]) for place in map(building, names(whole))
    }
    ratios: dict[tuple[int, int], list[float]] = {part: [] for part in PARTS}
    held: dict[tuple[int, int], list[float]] = {part: [] for part in PARTS}
    for record in seen(recordings, weather):
        rooms = known[building(record.name)]
        for temperature in (False, True):
            name = quantity_name(temperature=temperature, sighted=sighted)
            found = []
            for history, outdoor in first_weeks(record, sighted=sighted):
                made = track(history, outdoor, temperature=temperature, known=rooms)
                found.append((made, bands_of(made, rooms.shape(name)).half[day_of(made.now.size)]))
            for part in PARTS:
                cells = [_cell(found, part, KNOTS_H.index(h)) for h in SHOWN_H]
                ratios[part] += [ratio for ratio, _ in cells]
                held[part] += [share for _, share in cells]
                shown = " ".join(f"{ratio:5.2f} {share:4.0%}" for ratio, share in cells)
                lines.append(f"{record.name:<21}{name:<20}{part[0]:>3} to {part[1]:<3}{shown}")
    for part in PARTS:
        ratio, share = np.array(ratios[part]), np.array(held[part])
        lines.append(
            f"days {part[0]} to {part[1]}: mean {ratio.mean():.3f}, worst {ratio.max():.2f}, over 1.02 in "
            f"{(ratio > 1.02).sum()} of {ratio.size} cells; bands hold {share.mean():.0%}"
        )
    return lines


def names(recordings: Sequence[Recording]) -> list[str]:
    """What the records are called."""
    return [one.name for one in recordings]


def _cell(found: Sequence[tuple[Track, FloatArray]], part: tuple[int, int], k: int) -> tuple[float, float]:
    rows = slice(part[0] * DAY_H, part[1] * DAY_H)
    own = np.concatenate([np.abs(made.error[rows, k]) for made, _ in found])
    half = np.concatenate([half[rows, k] for _, half in found])
    plain = np.concatenate([np.abs(made.baseline - made.target)[:, rows, k] for made, _ in found], axis=1)
    use = np.isfinite(own)
    known = np.isfinite(plain[:, use]).mean(axis=1) > 0.9
    best = min(np.nanmean(one) for one in plain[known][:, use])
    return float(own[use].mean() / best), float((own <= half)[use].mean())


if __name__ == "__main__":
    command, folder, *rest = sys.argv[1:]
    records = open_recordings(Path(folder))
    if command == "learn":
        print(written(learn(seen(records, "typical")), names(records)), end="")
    else:
        for weather in rest or get_args(Weather):
            if weather != "archive":
                print(f"\nweather: {weather}\n" + "\n".join(score(records, weather)))
