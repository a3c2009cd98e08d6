"""How the open hours of packages ran over a stretch of time, as bars: from what the series hold of them."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from monitor.model.reading import Quantity, SeriesKey
from monitor.report.chart import Window
from monitor.store.contract import Bucket, SeriesStore

RISE_H = 1e-6  # less is the noise of adding up
TAKEN_BACK_H = 0.5  # what was counted while a reading was awaited, and taken back when it came, is less


@dataclass(frozen=True, slots=True)
class ExposureBar:
    """One package: when its hours were known, when they ran, and what they stood at in the end."""

    package: str
    known: tuple[tuple[float, float], ...]
    ran: tuple[tuple[float, float], ...]
    used_h: float
    used_frac: float | None  # of its limit; None where none is set


def exposure_bars(
    series: SeriesStore, packages: Iterable[str], zones: Iterable[str], window: Window
) -> list[ExposureBar]:
    """A bar for each of these packages that lay in these places, the nearest to its limit first."""
    wanted, asked = set(zones), set(packages)
    by_package = defaultdict[str, dict[Quantity, list[SeriesKey]]](lambda: defaultdict(list))
    keys = series.keys()
    for key in keys:
        counted = key.quantity in (Quantity.EXPOSURE_USED, Quantity.EXPOSURE_FRACTION)
        if counted and key.zone in wanted and key.source in asked:
            by_package[key.source][key.quantity].append(key)
    found = [_bar(series, package, lines, window) for package, lines in by_package.items()]
    bars = [bar for bar in found if bar is not None]
    return sorted(bars, key=lambda bar: (-(bar.used_frac or 0.0), -bar.used_h, bar.package))


def _bar(
    series: SeriesStore, package: str, lines: Mapping[Quantity, Sequence[SeriesKey]], window: Window
) -> ExposureBar | None:
    used = together(series, lines.get(Quantity.EXPOSURE_USED, ()), window)
    share = together(series, lines.get(Quantity.EXPOSURE_FRACTION, ()), window)
    if not used:
        return None
    known, ran = _runs(used, window.width_s)
    return ExposureBar(package, known, ran, used[-1].maximum, share[-1].maximum if share else None)


def together(series: SeriesStore, keys: Iterable[SeriesKey], window: Window) -> list[Bucket]:
    """The buckets of a thing that was moved from place to place, in order of time."""
    parts = (series.buckets(key, window.start_s, window.end_s, window.width_s) for key in keys)
    by_start = {bucket.start_s: bucket for part in parts for bucket in part}
    return [by_start[start_s] for start_s in sorted(by_start)]


def _runs(used: Sequence[Bucket], width_s: float) -> tuple[tuple[tuple[float, float], ...], ...]:
    """When the hours were known, and when they rose."""
    known: list[tuple[float, float]] = []
    ran: list[tuple[float, float]] = []
    highest = used[0].minimum
    for bucket in used:
        _add(known, bucket.start_s, width_s)
        if bucket.maximum < highest - TAKEN_BACK_H:
            highest = bucket.minimum  # redried, or told otherwise: counted anew
        if bucket.maximum > highest + RISE_H:
            _add(ran, bucket.start_s, width_s)
        highest = max(highest, bucket.maximum)
    return tuple(known), tuple(ran)


def _add(stretches: list[tuple[float, float]], start_s: float, width_s: float) -> None:
    if stretches and start_s - stretches[-1][1] <= 0.5 * width_s:
        stretches[-1] = (stretches[-1][0], start_s + width_s)
    else:
        stretches.append((start_s, start_s + width_s))
