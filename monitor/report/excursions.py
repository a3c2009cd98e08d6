"""When a zone's air was over its limit, its steel at or below the dew point, or its air not known."""

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.history.unknown_hours import HOUR_S
from monitor.report.zone_series import WIDTH_S, ZoneSeries
from monitor.store.contract import Bucket

APART_S = HOUR_S  # stretches nearer to each other than this are one
NOT_KNOWN_S = HOUR_S  # a gap as long as this is listed by itself


@dataclass(frozen=True, slots=True)
class Excursion:
    """One stretch; `worst` is the highest humidity (fraction) or the lowest margin (K)."""

    zone: str
    what: str  # "humid" | "sweating" | "not known"
    start_s: float
    end_s: float
    hours: float
    worst: float | None = None
    body: str = ""  # the coldest, of how many
    bodies: int = 0


def excursions(one: ZoneSeries, limit_frac: float) -> list[Excursion]:
    """A zone's stretches in order of time."""
    humid = [bucket for bucket in one.humidity if bucket.mean > limit_frac]
    found = [
        Excursion(one.zone.id, "humid", *_ends(run), WIDTH_S / HOUR_S * len(run), max(b.mean for b in run))
        for run in _runs(humid)
    ]
    found += _sweating(one)
    found += [
        Excursion(one.zone.id, "not known", start_s, end_s, (end_s - start_s) / HOUR_S)
        for start_s, end_s in one.unknown
        if end_s - start_s >= NOT_KNOWN_S
    ]
    return sorted(found, key=lambda excursion: excursion.start_s)


def _sweating(one: ZoneSeries) -> list[Excursion]:
    wet: dict[float, list[tuple[str, Bucket]]] = {}
    for body, buckets in one.margins.items():
        for bucket in buckets:
            if bucket.mean <= 0.0:
                wet.setdefault(bucket.start_s, []).append((body, bucket))
    found = []
    for run in _runs([Bucket(start_s, 1, 0.0, 0.0, 0.0) for start_s in sorted(wet)]):
        there = [pair for bucket in run for pair in wet[bucket.start_s]]
        body, least = min(there, key=lambda pair: pair[1].mean)
        bodies = len({name for name, _ in there})
        hours = WIDTH_S / HOUR_S * len(run)
        found.append(Excursion(one.zone.id, "sweating", *_ends(run), hours, least.mean, body, bodies))
    return found


def _runs(buckets: Sequence[Bucket]) -> list[list[Bucket]]:
    found: list[list[Bucket]] = []
    for bucket in buckets:
        if found and bucket.start_s - found[-1][-1].start_s <= WIDTH_S + APART_S:
            found[-1].append(bucket)
        else:
            found.append([bucket])
    return found


def _ends(run: Sequence[Bucket]) -> tuple[float, float]:
    return run[0].start_s, run[-1].start_s + WIDTH_S
