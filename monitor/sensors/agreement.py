"""Compares sensors that hang in the same air, and remembers for how long they have differed."""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot
from statistics import median
from typing import NamedTuple

from monitor.sensors.quality_rules import Judging
from monitor.sensors.track import SensorTrack


class PeerReading(NamedTuple):
    """What one sensor says now. Compare temperatures, or dew points; humidity alone differs with warmth."""

    sensor: str
    value: float
    std: float  # standard uncertainty


class Apart(NamedTuple):
    """How a sensor differs from its neighbours; the odd one out stands alone against two or more."""

    odd_one: bool
    words: str


class PeerSpread(NamedTuple):
    """How far sound sensors of one room may differ, of what, in which unit."""

    room: float
    what: str
    unit: str


def compare(
    witnesses: Sequence[PeerReading],
    judging: Judging,
    spread: PeerSpread | None = None,
    *,
    drop_above: bool = True,
) -> dict[str, Apart]:
    """The sensors that differ from the others by more than uncertainty and the room's own spread explain.

    Without a `spread` temperatures are compared.
    Without `drop_above` one that stands alone above the others is named and not called the odd one out.
    """
    spread = spread or PeerSpread(judging.room_spread_k, "air temperature", "K")
    ordered = sorted(witnesses)
    if len(ordered) < 2:
        return {}
    if len(ordered) == 2:
        first, second = ordered
        difference = abs(first.value - second.value)
        if difference <= spread.room + judging.coverage * hypot(first.std, second.std):
            return {}
        by = f"{spread.what} differs by {difference:.1f} {spread.unit}"
        words = by + " from {}; check both against a reference"
        return {
            first.sensor: Apart(False, words.format(second.sensor)),
            second.sensor: Apart(False, words.format(first.sensor)),
        }
    middle = median(witness.value for witness in ordered)
    typical_std = median(witness.std for witness in ordered)
    found = {}
    for one in ordered:
        difference = abs(one.value - middle)
        if difference > spread.room + judging.coverage * hypot(one.std, typical_std):
            others = f"the {len(ordered) - 1} others in its air"
            words = f"{spread.what} differs by {difference:.1f} {spread.unit} from {others}"
            found[one.sensor] = Apart(drop_above or one.value < middle, words)
    if len(found) * 2 > len(ordered):  # no majority left to be the measure
        return {sensor: Apart(False, apart.words) for sensor, apart in found.items()}
    return found


def alike(values: Sequence[float], room: float) -> bool:
    """Whether values lie so close together that `compare` finds none of them apart, however sure."""
    return len(values) < 2 or max(values) - min(values) < room


def remembered(track: SensorTrack, apart: Apart | None, now_s: float) -> SensorTrack:
    """The track with the comparison noted; it shows in the sensor's health once it has lasted."""
    if apart is None:
        if track.apart_since_s is None:
            return track
        return replace(track, apart_since_s=None, apart_odd_one=False, apart_words="")
    since_s = now_s if track.apart_since_s is None else min(track.apart_since_s, now_s)
    return replace(track, apart_since_s=since_s, apart_odd_one=apart.odd_one, apart_words=apart.words)
