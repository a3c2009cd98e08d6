"""Carries the clock of every opened package along with the air it lies in."""

import math
from collections.abc import Mapping

import numpy as np

from monitor.exposure.air import NO_AIR, AirSamples, AirStretch
from monitor.exposure.clock import ExposureClock, advance_clock, happened, start_clock
from monitor.exposure.history import Stay
from monitor.exposure.verdict import PackageVerdict, package_verdict
from monitor.stages.air import Sample, ZoneAir, boxed_humidity_frac, temperature_only
from monitor.stages.facts import PackageFacts, Shop
from monitor.values import AirState

Samples = Mapping[str, tuple[Sample, ...]]


def zone_samples(
    shop: Shop, heard: Mapping[str, ZoneAir], air: Mapping[str, AirState], now_s: float
) -> dict[str, Sample]:
    """The air of each zone as the derived series keep it, so that a clock derived anew comes out the same.

    Where only a temperature is known (an oven), the humidity is NaN; a quiver that is off holds the air
    around it.
    """
    samples: dict[str, Sample] = {}
    for zone, believed in heard.items():
        now = air.get(zone)
        if now is not None:
            samples[zone] = Sample(now_s, now.temperature_c, now.relative_humidity_frac)
        elif (warm := temperature_only(believed, now_s, shop.fresh_s[zone])) is not None:
            around = air.get(shop.zones[zone].stands_in or "")
            samples[zone] = Sample(now_s, warm[1], boxed_humidity_frac(warm[1], around))
    return samples


def carry(
    package: PackageFacts, clock: ExposureClock | None, samples: Samples, until_s: float
) -> ExposureClock | None:
    """The package's clock at `until_s`, through the places it has been in; None while it is not yet opened.

    `samples` holds the air of each zone since the clock's own time. What happened up to that time is in the
    clock already; what happened later is taken in on the way.
    """
    if until_s < package.opened_s:
        return None
    known_s = -math.inf if clock is None else clock.time_s
    if clock is None:
        first = package.stays[0]
        clock = start_clock(package.opened_s, package.rules, first.place, first.zone)
    pending = [event for event in package.happenings if known_s < event.time_s <= until_s]
    for stay in package.stays:
        end_s = until_s if stay.end_s is None else min(stay.end_s, until_s)
        if stay.start_s >= until_s or end_s <= clock.time_s:
            continue
        while pending and pending[0].time_s < end_s:
            event = pending.pop(0)
            clock = happened(_through(package, clock, stay, samples, event.time_s), event, package.rules)
        clock = _through(package, clock, stay, samples, end_s)
    for event in pending:
        clock = happened(clock, event, package.rules)
    return clock


def as_entered(
    package: PackageFacts, clock: ExposureClock | None, spoken: Mapping[str, Sample]
) -> ExposureClock | None:
    """The clock with what was entered since its own time, so that a tap shows at once."""
    if clock is not None and package.entered_s <= clock.time_s:
        return clock
    just_after_s = package.entered_s + 0.001  # so that the place it came to has begun to count, or not to
    return carry(package, clock, {zone: (air,) for zone, air in spoken.items()}, just_after_s)


def _through(
    package: PackageFacts, clock: ExposureClock, stay: Stay, samples: Samples, until_s: float
) -> ExposureClock:
    air = _samples(samples.get(stay.zone or "", ()))
    told = stay.checked_temperature_c, stay.checked_rh_frac, stay.desiccant_s
    return advance_clock(clock, AirStretch(stay.place, stay.zone, until_s, air, *told), package.rules)


def _samples(samples: tuple[Sample, ...]) -> AirSamples:
    if not samples:
        return NO_AIR
    columns = np.array(samples, dtype=np.float64).T
    return AirSamples(columns[0], columns[1], columns[2], np.ones(columns[0].size, dtype=np.bool_))


def verdict(package: PackageFacts, clock: ExposureClock) -> PackageVerdict:
    """How the package stands."""
    return package_verdict(clock, package.rules)
