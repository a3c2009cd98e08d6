"""Carries the clock of every opened package along with the air it lies in."""

from collections.abc import Mapping

import numpy as np

from monitor.exposure.air import NO_AIR, AirSamples, AirStretch
from monitor.exposure.clock import ExposureClock, advance_clock, start_clock
from monitor.exposure.verdict import PackageVerdict, package_verdict
from monitor.stages.air import Sample
from monitor.stages.facts import PackageFacts


def carry(
    package: PackageFacts,
    clock: ExposureClock | None,
    samples: Mapping[str, tuple[Sample, ...]],
    until_s: float,
) -> ExposureClock | None:
    """The package's clock at `until_s`, through the places it has been in; None while it is not yet opened.

    `samples` holds the air of each zone since the clock's own time.
    """
    if until_s < package.opened_s:
        return None
    if clock is None:
        first = package.stays[0]
        clock = start_clock(package.opened_s, package.rules, first.place, first.zone)
    for stay in package.stays:
        end_s = until_s if stay.end_s is None else min(stay.end_s, until_s)
        if stay.start_s < until_s and end_s > clock.time_s:
            air = _samples(samples.get(stay.zone or "", ()))
            stretch = AirStretch(
                stay.place, stay.zone, end_s, air, stay.checked_temperature_c, stay.checked_rh_frac
            )
            clock = advance_clock(clock, stretch, package.rules)
    return clock


def _samples(samples: tuple[Sample, ...]) -> AirSamples:
    if not samples:
        return NO_AIR
    columns = np.array(samples, dtype=np.float64).T
    return AirSamples(columns[0], columns[1], columns[2], np.ones(columns[0].size, dtype=np.bool_))


def verdict(package: PackageFacts, clock: ExposureClock) -> PackageVerdict:
    """How the package stands."""
    return package_verdict(clock, package.rules)
