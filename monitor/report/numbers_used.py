"""The limits that a record rests on, each with what the shop set and where the number comes from."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from monitor.model.place import Site
from monitor.report.package_sheet import PackageRecord
from monitor.report.sheet import SheetSection, Writing
from monitor.report.sources import Sources
from monitor.report.zone_series import limit_of
from monitor.settings.reference import load_toml

Row = tuple[str, str, str]


def numbers_section(
    sources: Sources, site: Site, records: Sequence[PackageRecord], writing: Writing
) -> SheetSection:
    """Humidity limits of the site's places, margins of steel, and the permitted hours of what was open."""
    kinds = load_toml("conditions.toml")["kinds"]
    rows = [
        *_humidity(sources, site, kinds["zone_humidity_high"]["limit"], writing),
        *_margins(sources, kinds, writing),
        *_permitted(records),
    ]
    return SheetSection(
        "numbers", "Numbers used", ("number", "value", "where it comes from"), tuple(dict.fromkeys(rows))
    )


def _humidity(sources: Sources, site: Site, limit: Mapping[str, Any], writing: Writing) -> Iterator[Row]:
    by_value: dict[float, list[str]] = {}
    for zone in sources.settings.zones:
        if zone.site == site.id and zone.kind not in ("oven", "quiver"):
            by_value.setdefault(limit_of(zone, sources.settings), []).append(zone.name)
    for value, names in sorted(by_value.items()):
        yield f"Humidity: {', '.join(names)}", f"{writing.percent(value)} %RH", _source(limit, value)


def _margins(sources: Sources, kinds: Mapping[str, Any], writing: Writing) -> Iterator[Row]:
    caution_k = sources.settings.limits.margin_caution_k
    for name, value_k in (("body_wet", 0.0), ("body_margin_low", caution_k)):
        value = f"{writing.difference(value_k).lstrip('+')} {writing.degree}"
        yield f"{kinds[name]['title']}: steel above dew point", value, _source(kinds[name]["limit"], value_k)


def _source(limit: Mapping[str, Any], used: float) -> str:
    said = f"{limit['source']} ({limit['status']})"
    return said if used == limit["value"] else f"set by this shop; otherwise {limit['value']:g}: {said}"


def _permitted(records: Sequence[PackageRecord]) -> Iterator[Row]:
    for record in records:
        limit = record.rules.consumable.limit_h
        if limit is not None:
            yield f"{record.rules.consumable.title}: permitted hours", f"{limit.value:g} h", limit.cite()
