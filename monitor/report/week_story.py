"""A week in three sentences from what its page adds up: what happened, what it did, what to change."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.model.place import Zone
from monitor.report.exposure_bars import ExposureBar
from monitor.report.sheet import Writing
from monitor.report.shift_lines import ShiftLine
from monitor.report.warning_lives import WarningLife
from monitor.report.zone_series import ZoneSeries

LEAST_H = 0.05  # shown as 0.1


@dataclass(frozen=True, slots=True)
class PlaceWeek:
    """One place's stretch: None where nothing was measured that could say it."""

    series: ZoneSeries
    limit_frac: float
    sweating_h: float | None
    over_limit_h: float | None
    unknown_h: float

    @property
    def zone(self) -> Zone:
        """Which place."""
        return self.series.zone


@dataclass(frozen=True, slots=True)
class WeekTold:
    """What the sentences are made from."""

    places: Sequence[PlaceWeek]
    lines: Sequence[ShiftLine]
    lives: Sequence[WarningLife]
    bars: Sequence[ExposureBar]
    names: Mapping[str, str]
    kinds: Mapping[str, str]  # of bodies: "cylinder" or "plate"


@dataclass(frozen=True, slots=True)
class Story:
    """The three sentences."""

    happened: str
    did: str
    change: str


def story(told: WeekTold, writing: Writing) -> Story:
    """A week in three sentences."""
    return Story(_happened(told, writing), _did(told), _change(told, writing))


def _happened(told: WeekTold, writing: Writing) -> str:
    sweat, humid, unknown = (
        _worst(told, "sweating_h"),
        _worst(told, "over_limit_h"),
        _worst(told, "unknown_h"),
    )
    if not any(place.over_limit_h is not None or place.sweating_h is not None for place in told.places):
        return "Nothing was measured, so nothing is known of these days."
    parts = []
    if sweat is not None:
        body, margin_k, start_s = _coldest(sweat.series)
        below = writing.difference(-margin_k).lstrip("+")
        parts.append(
            f"{sweat.zone.name}: steel sweated {_h(sweat.sweating_h)}, worst {told.names.get(body, body)} "
            f"{below} {writing.degree} below the dew point {writing.short(start_s)}"
        )
    if humid is not None:
        limit = writing.percent(humid.limit_frac)
        parts.append(f"{humid.zone.name} was over {limit} % for {_h(humid.over_limit_h)}")
    if not parts:
        steel = any(place.sweating_h is not None for place in told.places)
        parts.append("No air over its limit" + (" and no steel sweated" if steel else ", no steel watched"))
        if unknown is not None:
            parts[0] += " as far as it was measured"
    if unknown is not None:
        blind = sum(place.unknown_h >= LEAST_H for place in told.places) - 1
        more = f" and {blind} more {'place' if blind == 1 else 'places'} for less" if blind else ""
        parts.append(f"not known: {unknown.zone.name} for {_h(unknown.unknown_h)}{more}")
    return "; ".join(parts) + "."


def _did(told: WeekTold) -> str:
    parts = []
    shifts = len(told.lines)
    if shifts:
        wet = _in_shifts("steel sweated", [line.sweating_h for line in told.lines])
        damp = _in_shifts("air was humid", [line.humid_h for line in told.lines])
        parts.append(f"Of {_count(shifts, 'shift')} {wet}, {damp}")
    over = [bar for bar in told.bars if bar.used_frac is not None and bar.used_frac >= 1.0]
    if over:
        parts.append(f"{_names([bar.package for bar in over], told.names)} used up the permitted hours")
    elif told.bars:
        most = told.bars[0]
        share = "" if most.used_frac is None else f", {100.0 * most.used_frac:.0f} % of what is permitted"
        parts.append(f"{told.names.get(most.package, most.package)} came to {_h(most.used_h)} open{share}")
    late = sum(life.answered_s is None for life in told.lives)
    if told.lives:
        parts.append(f"{_count(len(told.lives), 'warning')}, {late or 'none'} unanswered")
    return "; ".join(parts) + "." if parts else "No shift, no open package and no warning in these days."


def _in_shifts(what: str, hours: Sequence[float | None]) -> str:
    """In how many shifts it was so; those in which nobody knows are said, and are no "no"."""
    known = [one for one in hours if one is not None]
    if not known:
        return f"not known in how many {what}"
    blind = f" ({len(hours) - len(known)} not known)" if len(known) < len(hours) else ""
    return f"{what} in {sum(one >= LEAST_H for one in known)}{blind}"


def _change(told: WeekTold, writing: Writing) -> str:
    """The one thing that would have mattered most; what was not measured comes before what was only damp."""
    sweat, humid, unknown = (
        _worst(told, "sweating_h"),
        _worst(told, "over_limit_h"),
        _worst(told, "unknown_h"),
    )
    late = sum(life.answered_s is None for life in told.lives)
    longest = max(((one.sweating_h or 0.0) for one in told.places), default=0.0)
    if unknown is not None and unknown.unknown_h >= longest:
        said = (
            f"Get {unknown.zone.name} measured without gaps: {_h(unknown.unknown_h)} are neither dry nor wet"
        )
    elif sweat is not None:
        said = _drier(sweat, told, writing)
    elif humid is not None:
        said = f"Dry {humid.zone.name} or keep its doors shut while it is damper outside"
    elif not told.places:
        said = "Set up a place with a sensor"
    else:
        said = "Nothing in the air"
    return said + (f"; and answer warnings, {late} had no answer." if late else ".")


def _drier(sweat: PlaceWeek, told: WeekTold, writing: Writing) -> str:
    body, _, _ = _coldest(sweat.series)
    name = told.names.get(body, body)
    when = _usual_hour(sweat.series, writing)
    if told.kinds.get(body) == "cylinder":
        return f"Bring {name} in early, or leave it capped: {sweat.zone.name} sweats most about {when}"
    return f"Bring {name} in, or keep the doors of {sweat.zone.name} shut: it sweats most about {when}"


def _coldest(series: ZoneSeries) -> tuple[str, float, float]:
    least = min(
        ((bucket.mean, body, bucket.start_s) for body, line in series.margins.items() for bucket in line)
    )
    return least[1], least[0], least[2]


def _usual_hour(series: ZoneSeries, writing: Writing) -> str:
    hours = Counter(
        datetime.fromtimestamp(bucket.start_s, writing.zone).hour
        for line in series.margins.values()
        for bucket in line
        if bucket.mean <= 0.0
    )
    most = max(hours.values())
    return f"{min(hour for hour, count in hours.items() if count == most):02d}:00"


def _worst(told: WeekTold, what: str) -> PlaceWeek | None:
    """The place with the most hours of it; None where there were none."""
    found = [place for place in told.places if (getattr(place, what) or 0.0) >= LEAST_H]
    return max(found, key=lambda place: getattr(place, what), default=None)


def _names(ids: Iterable[str], names: Mapping[str, str]) -> str:
    found = [names.get(one, one) for one in ids]
    return found[0] if len(found) == 1 else f"{found[0]} and {len(found) - 1} more"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _h(hours: float | None) -> str:
    return f"{hours or 0.0:.1f} h"
