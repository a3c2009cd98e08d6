"""Lists the conditions a shop needs, from what its settings say is there."""

from collections.abc import Iterator

from monitor.alarms.catalogue import Catalogue, Priority
from monitor.alarms.conditions import (
    AS_CATALOGUED,
    Condition,
    ConditionSubject,
    Tuning,
    condition,
    condition_id,
)
from monitor.model.declared_shop import DeclaredShop
from monitor.model.limits import Limits
from monitor.model.place import Zone

INDOORS = frozenset({"bay", "hall", "cage"})
STORES = frozenset({"store", "cabinet"})


def shop_conditions(catalogue: Catalogue, shop: DeclaredShop) -> tuple[Condition, ...]:
    """The conditions of everything that is always there; packages and shifts are added as they come.

    A zone's own air is watched where a sensor hangs in it. A body in a zone without one is watched all
    the same, and found unwatched.
    """
    limits = shop.limits
    sites = {zone.id: zone.site for zone in shop.zones}
    found: list[Condition] = []
    with_sensor = {sensor.zone for sensor in shop.sensors}
    for zone in shop.zones:
        if zone.id in with_sensor:
            found += _zone(catalogue, zone, limits)
        if zone.kind in STORES:
            found.append(condition(catalogue, "desiccant_due", ConditionSubject(zone.id, zone.id, zone.site)))
    for kind, things in (("cylinder", shop.cylinders), ("plate", shop.plates)):
        for thing in things:
            found += body_conditions(
                catalogue, ConditionSubject(thing.id, thing.zone, sites[thing.zone], kind), limits
            )
    for sensor in shop.sensors:
        subject = ConditionSubject(sensor.id, sensor.zone, sites[sensor.zone])
        found.append(condition(catalogue, "sensor_health", subject))
    watched = {c.zone for c in found if c.unwatched_id is not None}
    found += [
        condition(catalogue, "zone_unwatched", ConditionSubject(zone.id, zone.id, zone.site))
        for zone in shop.zones
        if zone.id in watched
    ]
    first_site = next(iter(sites.values()), "")
    found += [
        condition(catalogue, kind, ConditionSubject("service", "", first_site))
        for kind in ("broker_away", "store_behind", "warnings_undeliverable", "record_contradicted")
    ]
    return tuple(found)


def body_conditions(catalogue: Catalogue, body: ConditionSubject, limits: Limits) -> list[Condition]:
    """What is watched of one cylinder or plate; `body.kind` is which of the two."""
    unwatched_id = condition_id("zone_unwatched", body.zone)
    close = Tuning(limits.margin_caution_k, limits.margin_dead_band_k, limits.on_delay_s, limits.off_delay_s)
    wet = Tuning(on_delay_s=limits.on_delay_s)
    return [
        condition(catalogue, "body_margin_low", body, close, unwatched_id=unwatched_id),
        condition(catalogue, "body_wet", body, wet, unwatched_id=unwatched_id),
        condition(catalogue, "body_time_to_wet", body, unwatched_id=unwatched_id),
    ]


def package_conditions(catalogue: Catalogue, package: ConditionSubject, limits: Limits) -> list[Condition]:
    """What is watched of one opened package."""
    due = Tuning(limit=limits.exposure_due_frac)
    return [
        condition(catalogue, "package_exposure_due", package, due),
        condition(catalogue, "package_exposure_over", package),
        condition(catalogue, "package_left_open", package),
    ]


def shift_condition(catalogue: Catalogue, shift: ConditionSubject, probability: float) -> Condition:
    """What is watched of one coming shift."""
    return condition(catalogue, "humid_shift_ahead", shift, Tuning(limit=probability))


def _zone(catalogue: Catalogue, zone: Zone, limits: Limits) -> Iterator[Condition]:
    subject = ConditionSubject(zone.id, zone.id, zone.site)
    unwatched_id = condition_id("zone_unwatched", zone.id)
    own = zone.max_relative_humidity_frac
    humid = Tuning(
        limits.humidity_caution_frac if own is None else own,
        limits.humidity_dead_band_frac,
        limits.on_delay_s,
        limits.off_delay_s,
        # a limit the shop has set itself is one it wants to hear about
        None if own is None else Priority.MEDIUM,
    )
    if zone.kind in STORES:
        tuning = Tuning(limit=humid.limit, dead_band=humid.dead_band)
        yield condition(catalogue, "storage_humid", subject, tuning, unwatched_id=unwatched_id)
    elif zone.kind in INDOORS or own is not None:
        yield condition(catalogue, "zone_humidity_high", subject, humid, unwatched_id=unwatched_id)
    if zone.max_dew_point_c is not None:
        tuning = Tuning(zone.max_dew_point_c, None, limits.on_delay_s, limits.off_delay_s)
        yield condition(catalogue, "zone_dew_point_high", subject, tuning, unwatched_id=unwatched_id)
    if zone.kind in INDOORS:
        yield condition(catalogue, "zone_dew_point_rising", subject, AS_CATALOGUED, unwatched_id=unwatched_id)
    if zone.kind == "quiver":
        tuning = Tuning(limit=zone.min_temperature_c)
        yield condition(catalogue, "quiver_below_minimum", subject, tuning, unwatched_id=unwatched_id)
    elif zone.min_temperature_c is not None:
        tuning = Tuning(limit=zone.min_temperature_c)
        yield condition(catalogue, "storage_below_minimum", subject, tuning, unwatched_id=unwatched_id)
