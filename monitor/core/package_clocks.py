"""Carries the clock of every opened package along with the air it lies in."""

import math
from collections.abc import Mapping

import numpy as np

from monitor.consumables.exposure_air import NO_AIR, AirSamples, AirStretch
from monitor.consumables.exposure_clock import ExposureClock, advance_clock, happened, start_clock
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.stays import Stay
from monitor.consumables.verdict import PackageVerdict, package_verdict
from monitor.core.heated_stores import HEATED
from monitor.core.shop import Shop
from monitor.core.state import CoreState
from monitor.core.zone_air import Sample, boxed_humidity_frac, temperature_only

Samples = Mapping[str, tuple[Sample, ...]]


def zone_samples(shop: Shop, state: CoreState, now_s: float) -> dict[str, Sample]:
    """The air of each zone as the derived series keep it, so that a clock derived anew comes out the same.

    Of a heated place it is kept at the time at which it was measured: a sensor that has fallen silent proves
    nothing of the time after. Where only a temperature is known, the humidity is NaN; a quiver that is off
    holds the air around it.
    """
    samples: dict[str, Sample] = {}
    for zone, believed in state.heard.items():
        now = state.air.get(zone)
        warm = temperature_only(believed, now_s, shop.fresh_s[zone])
        if now is not None and shop.zones[zone].kind not in HEATED:
            samples[zone] = Sample(now_s, now.temperature_c, now.relative_humidity_frac)
        elif warm is not None:
            before = state.spoken.get(zone)
            around = state.air.get(shop.zones[zone].stands_in or "")
            humidity = (
                boxed_humidity_frac(warm.coldest_c, around, shop.judged_to_c)
                if now is None
                else now.relative_humidity_frac
            )
            told = Sample(warm.time_s, warm.coldest_c, humidity, warm.hottest_c)
            samples[zone] = told if before is None or told.time_s > before.time_s else before
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
    stretch = AirStretch(stay.place, stay.zone, until_s, air, stay.readings, stay.desiccant_s)
    return advance_clock(clock, stretch, package.rules)


def _samples(samples: tuple[Sample, ...]) -> AirSamples:
    if not samples:
        return NO_AIR
    columns = np.array(samples, dtype=np.float64).T
    believed = np.ones(columns[0].size, dtype=np.bool_)
    return AirSamples(columns[0], columns[1], columns[2], believed, np.maximum(columns[1], columns[3]))


def verdict(package: PackageFacts, clock: ExposureClock) -> PackageVerdict:
    """How the package stands."""
    return package_verdict(clock, package.rules)
