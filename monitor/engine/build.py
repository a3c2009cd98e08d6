"""Builds the core's description of the shop from the settings and the reference data."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.catalogue import Catalogue, catalogue_from
from monitor.alarms.shop_conditions import shop_conditions
from monitor.alarms.wording import Wording, plain
from monitor.consumables.classes import consumable_classes
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.rule_book import RuleBook, rule_book, speaking_from
from monitor.consumables.spools import spool_data
from monitor.core.shop import Shop, ZoneFacts, rest_rules
from monitor.core.supposed import suppositions
from monitor.history.package_history import PackageHistory, declared_history
from monitor.history.store_history import StoreReading, with_checks
from monitor.model.device import Sensor
from monitor.model.place import Site, Zone
from monitor.model.reading import OF_AIR_AND_SKIN, Quantity
from monitor.model.shop_units import in_clock
from monitor.model.thing import Cylinder, Plate, used_by_a_shift
from monitor.notify.people import channels_of, roster_of
from monitor.outlook.shifts import ShiftCalendar, ShiftPlan, WeeklyShift
from monitor.outlook.telling import telling_from
from monitor.outlook.warning import WarningRules
from monitor.physics.bodies import BodyData, body_data, cylinder_body, plate_body
from monitor.physics.moist_air import station_pressure_pa
from monitor.physics.placed_body import BodyFacts
from monitor.sensors.quality_rules import STEADY_PLACES, defaults_from, rules_from
from monitor.settings.language import translator
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.settings.sentences import sentences
from monitor.weather.provider import NoProvider
from monitor.weather.site import PROVIDERS


def known_reference() -> Mapping[str, frozenset[str]]:
    """What settings may point at."""
    return {
        "consumables": frozenset(consumable_classes(load_toml("consumables.toml"))),
        "spools": frozenset(spool_data(load_toml("spools.toml")).spools),
        "providers": frozenset({NoProvider.id, *PROVIDERS}),
    }


def build_shop(settings: Settings, calendars: tuple[ShiftCalendar, ...] = ()) -> Shop:
    """The shop as the core knows it; raises InputError where settings and reference data do not fit."""
    sites = {site.id: site for site in settings.sites}
    defaults = defaults_from(load_toml("quality.toml"))
    bodies = body_data(load_toml("bodies.toml"))
    catalogue = catalogue_from(load_toml("conditions.toml"))
    kinds = {zone.id: zone.kind for zone in settings.zones}
    sensors = {
        s.id: rules_from(s, defaults, steady_place=kinds[s.zone] in STEADY_PLACES) for s in settings.sensors
    }
    return Shop(
        tick_s=settings.service.tick_s,
        derived_every_s=settings.service.derived_every_s,
        fresh_s={
            zone.id: max((s.stale_after_s for s in settings.sensors if _speaks_of(s, zone.id)), default=900.0)
            for zone in settings.zones
        },
        zones={
            zone.id: _zone_facts(zone, sites[zone.site], catalogue, bodies.open_roof_view_frac)
            for zone in settings.zones
        },
        sensors=sensors,
        peers={
            one.id: tuple(o for o in sensors.values() if o.zone == one.zone and o is not one)
            for one in sensors.values()
        },
        judged_to_c=defaults.limits[Quantity.RELATIVE_HUMIDITY]["judged_to_c"],
        bodies={
            **{c.id: replace(cylinder_facts(c, bodies), used=_used(c, settings)) for c in settings.cylinders},
            **{p.id: plate_facts(p, bodies) for p in settings.plates},
        },
        packages=declared_packages(settings),
        limits=settings.limits,
        shift_odds_frac=settings.warning.probability,
        supposed=suppositions(load_toml("supposed.toml")),
        telling=telling_from(load_toml("outlook.toml")),
        rest=rest_rules(load_toml("working_hours.toml")),
        catalogue=catalogue,
        conditions=shop_conditions(catalogue, settings),
        shifts=shift_plan(settings, calendars),
        wordings={site.id: _wording(settings, site.id, catalogue) for site in settings.sites},
        roster=roster_of(settings),
        channels=channels_of(settings),
        digest_at=settings.service.digest_at,
    )


def _speaks_of(sensor: Sensor, zone: str) -> bool:
    """Whether it measures air or skin there: a contact that speaks once a day keeps no air fresh."""
    return sensor.zone == zone and any(measure.quantity in OF_AIR_AND_SKIN for measure in sensor.measures)


def _used(cylinder: Cylinder, settings: Settings) -> bool:
    kind = next((zone.kind for zone in settings.zones if zone.id == cylinder.zone), "")
    return used_by_a_shift(cylinder.use, kind, cylinder.work_zone)


def _zone_facts(zone: Zone, site: Site, catalogue: Catalogue, open_roof_frac: float) -> ZoneFacts:
    return ZoneFacts(
        **dict(zone)
        | {
            "pressure_pa": station_pressure_pa(site.altitude_m),
            "min_temperature_c": _minimum_c(zone, catalogue),
            "sky_view_frac": _sky_view_frac(zone, open_roof_frac),
        }
    )


_ROOFS = {"yard": "none", "outdoor": "none", "cage": "open"}


def _sky_view_frac(zone: Zone, open_roof_frac: float) -> float:
    """A yard lies open and a gas cage has a roof on posts unless the settings say otherwise."""
    if zone.sky_view_frac is not None:
        return zone.sky_view_frac
    roof = zone.roof or _ROOFS.get(zone.kind, "closed")
    return {"none": 1.0, "open": open_roof_frac, "closed": 0.0}[roof]


def _minimum_c(zone: Zone, catalogue: Catalogue) -> float | None:
    """From which temperature a place protects; a quiver of which nobody said it by the catalogue's figure."""
    if zone.min_temperature_c is None and zone.kind == "quiver":
        return catalogue.kinds["quiver_below_minimum"].limit
    return zone.min_temperature_c


def cylinder_facts(cylinder: Cylinder, data: BodyData) -> BodyFacts:
    """One cylinder's thermal description."""
    body = cylinder_body(
        data,
        cylinder.gas,
        diameter_m=cylinder.diameter_m,
        height_m=cylinder.height_m,
        steel_kg=cylinder.steel_kg,
        gas_kg=cylinder.gas_kg,
        emissivity=cylinder.emissivity,
    )
    return BodyFacts(
        cylinder.id, cylinder.name, "cylinder", cylinder.zone, body, cylinder.present, cylinder.work_zone
    )


def plate_facts(plate: Plate, data: BodyData) -> BodyFacts:
    """One plate's thermal description."""
    body = plate_body(
        data,
        thickness_m=plate.thickness_m,
        width_m=plate.width_m,
        length_m=plate.length_m,
        faces=plate.faces,
        stacked=plate.stacked,
        emissivity=plate.emissivity,
    )
    return BodyFacts(plate.id, plate.name, "plate", plate.zone, body, plate.present, plate.work_zone)


def declared_packages(settings: Settings) -> dict[str, PackageFacts]:
    """The packages that the settings file declares; InputError where a class or a rule cannot stand."""
    book = book_of(settings)
    return {package.id: package_facts(declared_history(package), book) for package in settings.packages}


def book_of(settings: Settings) -> RuleBook:
    """The rules of every class, as this shop works with them."""
    spools = spool_data(load_toml("spools.toml")).spools.values()
    metal = frozenset(spool.id for spool in spools if spool.stands_heat)
    return rule_book(
        settings,
        load_toml("consumables.toml"),
        load_toml("sorption.toml"),
        metal,
        derived_every_s=settings.service.derived_every_s,
        speaking=speaking_from(load_toml("readings.toml")),
    )


def package_facts(
    history: PackageHistory,
    book: RuleBook,
    checks: Mapping[str, Sequence[StoreReading]] | None = None,
) -> PackageFacts:
    """A package as the core sees it, with what people read where it lay; InputError for an unknown class."""
    return PackageFacts(
        id=history.id,
        name=history.name,
        consumable=history.consumable,
        zone=history.zone,
        stays=with_checks(history.stays, checks or {}),
        rules=book.rules_for(history.id, history.consumable, history.spool),
        happenings=tuple(sorted(history.happenings, key=lambda happening: happening.time_s)),
        entered_s=history.entered_s,
        place=history.stays[-1].place,
        lot=history.lot,
        job=history.job,
    )


def warning_rules(settings: Settings, zone: ZoneInfo) -> WarningRules:
    """When a humid shift ahead may be told; times of day are the zone's."""
    return WarningRules(**dict(settings.warning), zone=zone, telling=telling_from(load_toml("outlook.toml")))


def shift_plan(settings: Settings, calendars: tuple[ShiftCalendar, ...]) -> ShiftPlan:
    """Who works when."""
    zones = {site.id: site.tz for site in settings.sites}
    weekly = tuple(WeeklyShift(**dict(shift), zone=zones[shift.site]) for shift in settings.shifts)
    return ShiftPlan(weekly, calendars, tuple(calendar.site for calendar in settings.calendars))


def _wording(settings: Settings, site: str, catalogue: Catalogue) -> Wording:
    things: list[Any] = [*settings.zones, *settings.cylinders, *settings.plates, *settings.packages]
    names = {thing.id: thing.name for thing in things} | {s.id: s.name for s in settings.sites}
    zone = next(s.tz for s in settings.sites if s.id == site)
    web = settings.web
    spoken, twelve, language = translator(web.language), web.clock == "12", sentences(web.language)

    def say(text: str) -> str:
        return plain(in_clock(text if language is None else language.say(text), twelve=twelve))

    return Wording(catalogue, zone, names, web.temperature_unit, spoken, twelve, say)
