"""How much of each stretch a door stood open, from what its sensor said and for how long that holds."""

from collections.abc import Iterable

import numpy as np

from monitor.model.reading import Quantity, SeriesKey
from monitor.report.chart import Window
from monitor.store.contract import FloatArray, SeriesStore

DOOR_HOLDS_S = 12 * 3_600.0
SHUT_BELOW = 0.005  # a share that no drawing shows


def open_share(series: SeriesStore, key: SeriesKey, edges_s: FloatArray) -> FloatArray:
    """Mean over each stretch between edges of how far a door stood open; NaN where less than half is known.

    Door sensors speak when something changes: what one said holds until it speaks again, but not for ever.
    """
    said = series.slice(key, float(edges_s[0]) - DOOR_HOLDS_S, float(edges_s[-1]))
    sound = ~said.doubtful
    if not sound.any():
        return np.full(edges_s.size - 1, np.nan)
    return _held(said.time_s[sound], said.value[sound], edges_s)


def _held(time_s: FloatArray, value: FloatArray, edges: FloatArray) -> FloatArray:
    until_s = np.minimum(np.append(time_s[1:], edges[-1]), time_s + DOOR_HOLDS_S)
    hold_s = np.maximum(until_s - time_s, 0.0)
    # Open seconds and known seconds from the first reading on, at every reading and at the end of its hold.
    at = np.stack([time_s, time_s + hold_s], axis=1).ravel()
    known = np.cumsum(np.stack([np.zeros(hold_s.size), hold_s], axis=1).ravel())
    opened = np.cumsum(np.stack([np.zeros(hold_s.size), hold_s * value], axis=1).ravel())
    known_s = np.diff(np.interp(edges, at, known, left=0.0))
    open_s = np.diff(np.interp(edges, at, opened, left=0.0))
    mean = np.full(known_s.size, np.nan)
    np.divide(open_s, known_s, out=mean, where=known_s >= np.diff(edges) / 2.0)
    return mean


def door_lanes(
    series: SeriesStore, keys: Iterable[SeriesKey], zones: Iterable[str], window: Window, now_s: float
) -> dict[tuple[str, str], tuple[tuple[float, float, float], ...]]:
    """By zone and sensor: when a door stood open, from, to and how far; nothing where no sensor tells."""
    wanted = set(zones)
    doors = sorted(key for key in keys if key.quantity is Quantity.DOOR_OPEN and key.zone in wanted)
    until_s = min(window.end_s, now_s)
    edges = np.append(np.arange(window.start_s, until_s, window.width_s), until_s)
    found = {}
    for key in doors:
        share = open_share(series, key, edges)
        if np.isfinite(share).any():
            found[key.zone, key.source] = _stretches(edges, share)
    return found


def _stretches(edges: FloatArray, share: FloatArray) -> tuple[tuple[float, float, float], ...]:
    found: list[tuple[float, float, float]] = []
    for start_s, end_s, part in zip(edges[:-1].tolist(), edges[1:].tolist(), share.tolist(), strict=True):
        if not part >= SHUT_BELOW:
            continue
        if found and found[-1][1] == start_s and abs(found[-1][2] - part) < SHUT_BELOW:
            found[-1] = (found[-1][0], end_s, part)
        else:
            found.append((start_s, end_s, part))
    return tuple(found)
