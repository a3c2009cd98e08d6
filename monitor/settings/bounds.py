"""Settings that are numbers but that nobody can mean, and settings that contradict each other.

The bounds are engineering limits, far outside of what a shop writes; where one is a figure of the trade its
provenance stands beside it. A unit slip (percent for a fraction, hours for seconds) falls outside of them.
`odd` names what may be meant and seldom is: it is told, and stops nothing.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, time
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from monitor.model.errors import Fault

HOUR_S, DAY_S = 3_600.0, 86_400.0
Tree = Mapping[str, Any]


class Bound(NamedTuple):
    """The least and the most that a number can mean, and why."""

    low: float
    high: float
    fix: str


_SHIFT = "is longer than half a shift, so an answer would come too late"
_SILENT = "would hide a silence: nothing is known of the air meanwhile"
BOUNDS: Mapping[str, Bound] = {
    "service.tick_s": Bound(0.01, 300.0, "the shop is judged this often; 10 is usual"),
    "service.derived_every_s": Bound(0.01, HOUR_S, "clocks are moved on this often; 60 is usual"),
    "service.checkpoint_s": Bound(0.01, DAY_S, "so much is worked through again after a power cut"),
    "service.heartbeat_every_s": Bound(0.01, DAY_S, "others notice a dead service only after it"),
    "mqtt.future_tolerance_s": Bound(0.0, DAY_S, "a device's clock so far ahead is wrong"),
    "mqtt.max_age_s": Bound(1.0, 400 * DAY_S, "seconds; a month is 2592000"),
    "store.influxdb.timeout_s": Bound(0.01, 600.0, "seconds for one answer"),
    "limits.humidity_caution_frac": Bound(
        0.05, 0.95, "a fraction: 0.7 is 70 %RH; above 0.95 it never speaks"
    ),
    "limits.on_delay_s": Bound(0.0, 4 * HOUR_S, _SHIFT),
    "limits.off_delay_s": Bound(0.0, 4 * HOUR_S, _SHIFT),
    # common practice: an oven is read by hand at least every shift, so a day is the very most
    "limits.check_speaks_s": Bound(
        60.0, DAY_S, "seconds that one reading by hand stands; 43200 is half a day"
    ),
    "warning.probability": Bound(
        0.01, 0.9, "odds from which a humid shift is told; higher ones tell of none"
    ),
    "warning.min_lead_s": Bound(1.0, 2 * DAY_S, "seconds before the shift; 14400 is four hours"),
    "warning.horizon_s": Bound(1.0, 10 * DAY_S, "seconds ahead; 172800 is two days"),
    "warning.look_every_s": Bound(600.0, DAY_S, "seconds between looks ahead; 3600 is usual"),
    "zones[].max_relative_humidity_frac": Bound(0.01, 0.95, "a fraction; to watch no humidity leave it out"),
    "zones[].dry_down_to_frac": Bound(0.01, 0.95, "a fraction: 0.5 is 50 %RH"),
    "zones[].desiccant_days": Bound(1.0, 365.0, "days; a pack lasts about a month (common practice)"),
    "sensors[].interval_s": Bound(0.01, 3 * HOUR_S, "seconds between messages; 30 is usual"),
    "sensors[].stale_after_s": Bound(0.01, 6 * HOUR_S, _SILENT),
    "sensors[].stuck_after_s": Bound(1.0, 7 * DAY_S, "seconds without any change; a day is 86400"),
    # common practice: yearly; some makers allow two years
    "sensors[].calibration_days": Bound(1.0, 1_830.0, "days between calibrations; 365 is usual"),
    "sensors[].measures[].gain": Bound(0.8, 1.25, "a sensor this far off is replaced, not corrected"),
    "cylinders[].steel_kg": Bound(0.5, 500.0, "kilograms of the empty cylinder"),
    "cylinders[].gas_kg": Bound(0.0, 200.0, "kilograms of gas when full"),
    "plates[].thickness_m": Bound(0.0005, 0.5, "metres: 0.012 is 12 mm"),
    "plates[].stacked": Bound(1.0, 200.0, "how many plates lie on each other"),
    "on_call[].escalate_after_s": Bound(0.01, 4 * HOUR_S, _SHIFT),
    "channels[].timeout_s": Bound(0.01, 600.0, "seconds for one attempt"),
    "weather[].every_s": Bound(0.01, 6 * HOUR_S, "seconds between forecasts; 3600 is usual"),
}
# What a correction, a maker's figure and a range can be, by quantity. Common practice: a sensor off by more
# than 10 %RH or 10 K is not corrected but replaced.
_OFFSETS = {
    "relative_humidity_frac": Bound(-0.1, 0.1, "a fraction: write 0.005 for 0.5 %RH"),
    "air_temperature_c": Bound(-10.0, 10.0, "kelvin; a sensor this far off is replaced"),
    "surface_temperature_c": Bound(-10.0, 10.0, "kelvin; a sensor this far off is replaced"),
}
_RANGES = {
    "relative_humidity_frac": Bound(-0.2, 1.2, "a fraction: 1.0 is 100 %RH"),
    "air_temperature_c": Bound(-100.0, 700.0, "°C"),
    "surface_temperature_c": Bound(-100.0, 700.0, "°C"),
}
# From 50 °C: no code or maker's sheet holds rods cooler (a company's rule sheet: 65 °C, the least known).
_HEATED = Bound(50.0, 450.0, "°C from which it protects; D1.1 holds low-hydrogen rods at 120 or more")
_HEATED_KINDS = ("oven", "quiver")
MOST_QUIET_H = 14.0  # what is left is a shift and the way to it
MOST_SHIFT_H = 16.0
FAR_DEG = 50.0  # the widest zone with one clock spans some 60° (Asia/Shanghai), 44° of them on one side
_INDOORS = ("bay", "hall", "store", "cage", "shop", "room", "cabinet", "oven", "booth", "shed", "indoor")


def impossible(tree: Tree) -> Iterator[Fault]:
    """Every number that nobody can mean, and every contradiction."""
    yield from _not_finite(tree, "")
    for path, bound in BOUNDS.items():
        for place, value in _found(tree, path):
            yield from _outside(place, value, bound)
    yield from _measures(tree)
    yield from _heated(tree)
    yield from _hours(tree)
    yield from _places(tree)
    yield from _contradictions(tree)


def odd(tree: Tree) -> Iterator[str]:
    """What may be meant, and seldom is."""
    for n, zone in _rows(tree, "zones"):
        words = f"{zone.get('id', '')} {zone.get('name', '')}".lower().replace("-", " ").split()
        indoors = next((word for word in _INDOORS if word in words), None)
        if zone.get("kind") == "outdoor" and indoors is not None:
            yield (
                f"zones[{n}].kind: outdoor, of a zone called {zone.get('name')!r}: outdoor air is never "
                f"judged humid; if it is a {indoors}, say so"
            )
    web = _section(tree, "web")
    if web.get("log_in") == "names" and web.get("user_header") is None:
        yield (
            'web.log_in: "names": whoever reaches the pages answers warnings and makes entries in anybody\'s '
            "name; only a demo wants that. Leave it out, and people log in"
        )
    for n, site in _rows(tree, "sites"):
        if site.get("timezone", "UTC") == "UTC" and abs(_number(site.get("longitude_deg")) or 0.0) > 30.0:
            yield f"sites[{n}].timezone: UTC, far from Greenwich: shifts and quiet hours are read in UTC"


def _outside(place: str, value: Any, bound: Bound) -> Iterator[Fault]:
    number = _number(value)
    if number is not None and not bound.low <= number <= bound.high:
        fix = f"cannot be meant: write {bound.low:g} to {bound.high:g} ({bound.fix})"
        yield Fault(place, f"{number:g}", f"{fix}{fraction_hint(place, number)}")


def fraction_hint(place: str, value: object) -> str:
    """What a share was meant to be that is written in percent; empty for everything else."""
    number = _number(value)
    is_share = place.endswith(("_frac", "probability"))
    if not is_share or number is None or not 1.0 < number <= 100.0:
        return ""
    return f"; {number:g} % is written {number / 100.0:g}"


def _measures(tree: Tree) -> Iterator[Fault]:
    for place, measure in _found(tree, "sensors[].measures[]"):
        if not isinstance(measure, Mapping):
            continue
        quantity = str(measure.get("quantity"))
        if quantity in _OFFSETS:
            yield from _outside(f"{place}.offset", measure.get("offset"), _OFFSETS[quantity])
        low, high = _number(measure.get("min")), _number(measure.get("max"))
        for name in ("min", "max"):
            if quantity in _RANGES:
                yield from _outside(f"{place}.{name}", measure.get(name), _RANGES[quantity])
        if low is not None and high is not None and low >= high:
            yield Fault(f"{place}.min", f"{low:g}", f"is not below max {high:g}; correct one of the two")


def _heated(tree: Tree) -> Iterator[Fault]:
    """Ovens that would count as hot while they are cold, and sensors that cannot show them hot."""
    zones = {zone.get("id"): zone for _, zone in _rows(tree, "zones") if zone.get("kind") in _HEATED_KINDS}
    for n, zone in _rows(tree, "zones"):
        if zone.get("kind") in _HEATED_KINDS:
            yield from _outside(f"zones[{n}].min_temperature_c", zone.get("min_temperature_c"), _HEATED)
    for n, sensor in _rows(tree, "sensors"):
        least = _number(zones.get(sensor.get("zone"), {}).get("min_temperature_c"))
        for m, measure in _rows(sensor, "measures"):
            most = _number(measure.get("max"))
            warm = measure.get("quantity") == "air_temperature_c"
            if warm and least is not None and most is not None and most <= least:
                fix = f"is not above the {least:g} °C of its oven: it would never be believed hot"
                yield Fault(f"sensors[{n}].measures[{m}].max", f"{most:g}", fix)


def _hours(tree: Tree) -> Iterator[Fault]:
    for n, person in _rows(tree, "people"):
        start, end = person.get("quiet_from"), person.get("quiet_to")
        place = f"people[{n}].quiet_to"
        if (start is None) != (end is None):
            yield Fault(place, "only one of the two", "write both quiet_from and quiet_to, or neither")
        hours = _span_h(start, end)
        if hours is not None and hours > MOST_QUIET_H:
            fix = f"keeps this person quiet for {hours:g} h of the day; write at most {MOST_QUIET_H:g} h"
            yield Fault(place, _clock(end), fix)
    for n, shift in _rows(tree, "shifts"):
        hours = _span_h(shift.get("start"), shift.get("end"))
        if hours is not None and hours > MOST_SHIFT_H:
            fix = f"makes a shift of {hours:g} h; write at most {MOST_SHIFT_H:g} h, or two shifts"
            yield Fault(f"shifts[{n}].end", _clock(shift.get("end")), fix)


def _places(tree: Tree) -> Iterator[Fault]:
    """Sites that lie elsewhere than their clocks say."""
    for n, site in _rows(tree, "sites"):
        name = site.get("timezone", "UTC")
        if not isinstance(name, str) or name not in available_timezones() or name in ("UTC", "GMT"):
            continue
        winter, summer = (_offset_h(name, month) for month in (1, 7))
        latitude, longitude = _number(site.get("latitude_deg")), _number(site.get("longitude_deg"))
        elsewhere = latitude is not None and winter != summer and (summer > winter) != (latitude > 0.0)
        if latitude is not None and abs(latitude) > 5.0 and elsewhere:
            fix = f"lies in the other hemisphere than {name}, by its summer time; correct one of the two"
            yield Fault(f"sites[{n}].latitude_deg", f"{latitude:g}", fix)
        if longitude is not None:
            away = abs((longitude - 15.0 * min(winter, summer) + 180.0) % 360.0 - 180.0)
            if away > FAR_DEG:
                fix = f"lies {away:.0f}° from where {name} has its clock; correct one of the two"
                yield Fault(f"sites[{n}].longitude_deg", f"{longitude:g}", fix)


def _contradictions(tree: Tree) -> Iterator[Fault]:
    tick_s = _number(_section(tree, "service").get("tick_s")) or 0.0
    for n, sensor in _rows(tree, "sensors"):
        stale_s = _number(sensor.get("stale_after_s"))
        if stale_s is not None and stale_s < tick_s:
            fix = f"is shorter than service.tick_s of {tick_s:g} s: the sensor would be silent at every look"
            yield Fault(f"sensors[{n}].stale_after_s", f"{stale_s:g}", fix)
    warning = _section(tree, "warning")
    lead_s, horizon_s = _number(warning.get("min_lead_s")), _number(warning.get("horizon_s"))
    if lead_s is not None and horizon_s is not None and lead_s >= horizon_s:
        fix = (
            f"is not below horizon_s of {horizon_s:g} s: no shift would ever be told; correct one of the two"
        )
        yield Fault("warning.min_lead_s", f"{lead_s:g}", fix)
    for n, zone in _rows(tree, "zones"):
        for name in ("heat_up_to_c", "dry_down_to_frac", "desiccant_days", "max_relative_humidity_frac"):
            if zone.get("kind") == "outdoor" and zone.get(name) is not None:
                fix = "is of a room, and this zone is outdoor air, which is never judged; correct its kind"
                yield Fault(f"zones[{n}].{name}", f"{zone[name]}", fix)


def _not_finite(value: Any, place: str) -> Iterator[Fault]:
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _not_finite(inner, f"{place}.{name}".lstrip("."))
    elif isinstance(value, list | tuple):
        for n, inner in enumerate(value):
            yield from _not_finite(inner, f"{place}[{n}]")
    elif isinstance(value, float) and not math.isfinite(value):
        yield Fault(place, f"{value}", "is no number; write one, or leave the setting out")


def _found(tree: Any, path: str) -> Iterator[tuple[str, Any]]:
    """The values at a path such as `sensors[].measures[].gain`, each with its place."""
    head, _, rest = path.partition(".")
    name = head.removesuffix("[]")
    value = tree.get(name) if isinstance(tree, Mapping) else None
    if head.endswith("[]"):
        rows: Sequence[Any] = value if isinstance(value, list | tuple) else ()
        found = [(f"{name}[{n}]", row) for n, row in enumerate(rows)]
    else:
        found = [] if value is None else [(name, value)]
    for place, inner in found:
        if rest:
            yield from ((f"{place}.{deeper}", one) for deeper, one in _found(inner, rest))
        else:
            yield place, inner


def _rows(tree: Tree, name: str) -> list[tuple[int, Tree]]:
    found = tree.get(name, ())
    rows = found if isinstance(found, list | tuple) else ()
    return [(n, row) for n, row in enumerate(rows) if isinstance(row, Mapping)]


def _section(tree: Tree, name: str) -> Tree:
    found = tree.get(name)
    return found if isinstance(found, Mapping) else {}


def _number(value: Any) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if is_number else None


def _span_h(start: Any, end: Any) -> float | None:
    """Hours from one time of day to another; the same twice is a whole day."""
    if not isinstance(start, time) or not isinstance(end, time):
        return None
    minutes = (end.hour - start.hour) * 60 + end.minute - start.minute
    return (minutes % 1440 or 1440) / 60.0


def _clock(value: Any) -> str:
    return f"{value:%H:%M}" if isinstance(value, time) else repr(value)


def _offset_h(name: str, month: int) -> float:
    offset = datetime(2026, month, 15, tzinfo=UTC).astimezone(ZoneInfo(name)).utcoffset()
    return 0.0 if offset is None else offset.total_seconds() / 3600.0
