"""What is measured beside a zone's air, as inputs: contacts that let air in, sources of heat or water, sun.

What a door or a person will do is not known: it is taken as the zone's own habit of the hour, so that a model
learnt with it, and its errors, hold that doubt.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.model.reading import CONTACTS, Quantity
from monitor.outlook.hourly import DAY_H, FloatArray, ahead, shifted, trailing_mean

SUN = "sun"
SOURCES = frozenset(
    {
        Quantity.CARBON_DIOXIDE,
        Quantity.PEOPLE,
        Quantity.HEATER_POWER,
        Quantity.DEHUMIDIFIER_POWER,
        Quantity.COLD_PARTS,
    }
)
BESIDE = CONTACTS | SOURCES
_CALLED = {
    SUN: "the sun",
    Quantity.DOOR_OPEN: "its door",
    Quantity.WINDOW_OPEN: "its windows",
    Quantity.EXTRACT_ON: "its extraction",
    Quantity.CARBON_DIOXIDE: "its carbon dioxide",
    Quantity.PEOPLE: "people",
    Quantity.HEATER_POWER: "its heater",
    Quantity.DEHUMIDIFIER_POWER: "its dehumidifier",
    Quantity.COLD_PARTS: "cold parts",
}


@dataclass(frozen=True, slots=True)
class Trial:
    """When an added input is believed, and when it has earned its place; from the reference data."""

    judged_days: float  # on its errors of so many days
    least_days: float  # and not before so many are known
    worth_frac: float  # less error by at least this share
    sure_deviations: float  # and by so many standard deviations of the mean of the days
    still_least_h: float  # an input may stand still for so long
    still_over: float  # or for so many times the longest it did before
    beyond_frac: float  # of its range so far: further out nothing was learnt


def trial_from_mapping(data: Mapping[str, Any]) -> Trial:
    """Read the `added` table of the outlook's reference data."""
    return Trial(**{name: float(data["added"][name]["value"]) for name in Trial.__slots__})


def believed(value: FloatArray, trial: Trial) -> FloatArray:
    """An input's hours, those left out that stand still for longer than is its habit or lie beyond its range.

    Each hour is judged by the hours before it alone. A habit of standing still grows to the double at most
    each time; once the range is known, what lies beyond it widens it by its reach a day: a meter whose unit
    was changed is not taken at its word.
    """
    found, since, longest = value.copy(), 0, trial.still_least_h
    low, high, known = np.inf, -np.inf, 0
    for row, one in enumerate(value.tolist()):
        if not np.isfinite(one):
            since = row + 1
            continue
        if row and one != value[row - 1]:
            longest, since = max(longest, min(trial.still_over * (row - since), 2.0 * longest)), row
        known += low < high  # hours since it moved at all
        if known <= trial.least_days * DAY_H:
            low, high = min(low, one), max(high, one)
        reach = trial.beyond_frac * (high - low)
        if not low - reach <= one <= high + reach:
            found[row], reach = np.nan, reach / DAY_H
        if row - since >= longest:
            found[row] = np.nan
        low, high = min(low, max(one, low - reach)), max(high, min(one, high + reach))
    return found


def called(added: tuple[str, ...]) -> str:
    """Some inputs in words."""
    names = [_CALLED[one] for one in added]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def habit(value: FloatArray, first_h: int, hours: int) -> FloatArray:
    """Mean over a week's days of the same hours of day as the `hours` that begin `first_h` from now.

    Only what is known now is looked at.
    """
    last = first_h + hours - 1
    days = range(-(-last // DAY_H), -(-last // DAY_H) + 7) if last > 0 else range(1, 8)
    each = np.stack([trailing_mean(shifted(value, last - DAY_H * n), hours) for n in days])
    known = np.isfinite(each)
    total, count = np.where(known, each, 0.0).sum(axis=0), known.sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def source_columns(value: FloatArray, horizon_h: int) -> list[FloatArray]:
    """A source of heat or water: how it is, how unlike its habit, what its habit will bring."""
    usual = habit(value, 0, 1)
    lately = trailing_mean(value, 3)
    return [value, value - usual, lately - usual, habit(value, 1, horizon_h) - value]


def contact_columns(
    value: FloatArray, drive: FloatArray | None, drive_ahead: FloatArray | None, horizon_h: int
) -> list[FloatArray]:
    """An opening: what it lets in now and will by habit; `drive` is the outdoor air less the zone, K or hPa.

    Without outdoor air it is only open or shut.
    """
    coming = habit(value, 1, horizon_h)
    if drive is None or drive_ahead is None:
        return [value, coming - value]
    unlike = trailing_mean(value, 3) - habit(value, 0, 1)
    return [value, coming - value, value * drive, unlike * drive, coming * drive_ahead]


def sun_columns(sun: FloatArray, sun_ahead: FloatArray, horizon_h: int, memory_h: float) -> list[FloatArray]:
    """Radiation on the way and at the target, and how unlike the same hours a day or two ago; 100 W/m²."""
    rows, lag, late = sun.size, DAY_H * -(-horizon_h // DAY_H), min(3, horizon_h)
    since = horizon_h - np.arange(1, horizon_h + 1)
    weight = np.exp(-since / memory_h)
    weight /= weight.sum()
    coming = sun_ahead[:, :horizon_h]
    before = ahead(shifted(sun, -lag), rows)[:, :horizon_h]
    last, last_before = (one[:, -late:].mean(axis=1) for one in (coming, before))
    whole, whole_before = coming.mean(axis=1), before.mean(axis=1)
    columns = [
        whole - whole_before,
        last - last_before,
        last,
        whole,
        (coming - before) @ weight,
        sun - shifted(sun, -DAY_H),
    ]
    return [column / 100.0 for column in columns]
