"""Carries the clock of every opened package along with the air it lies in."""

import numpy as np

from monitor.exposure.air import NO_AIR, AirSamples, AirStretch
from monitor.exposure.classes import Place
from monitor.exposure.clock import ExposureClock, advance_clock, start_clock
from monitor.exposure.verdict import PackageVerdict, package_verdict
from monitor.stages.air import Sample
from monitor.stages.facts import PackageFacts


def carry(
    package: PackageFacts, clock: ExposureClock | None, samples: tuple[Sample, ...], until_s: float
) -> ExposureClock | None:
    """The package's clock at `until_s`; None while it is not yet opened."""
    if until_s < package.opened_s:
        return None
    if clock is None:
        clock = start_clock(package.opened_s, package.rules, Place.OPEN_AIR, package.zone)
    air = _samples(samples)
    if package.sealed_s is not None and clock.time_s < package.sealed_s:
        open_until_s = min(package.sealed_s, until_s)
        clock = advance_clock(
            clock, AirStretch(Place.OPEN_AIR, package.zone, open_until_s, air), package.rules
        )
    if package.sealed_s is not None and until_s > package.sealed_s:
        return advance_clock(clock, AirStretch(Place.SEALED, package.zone, until_s, air), package.rules)
    return advance_clock(clock, AirStretch(Place.OPEN_AIR, package.zone, until_s, air), package.rules)


def _samples(samples: tuple[Sample, ...]) -> AirSamples:
    if not samples:
        return NO_AIR
    columns = np.array(samples, dtype=np.float64).T
    return AirSamples(columns[0], columns[1], columns[2], np.ones(columns[0].size, dtype=np.bool_))


def verdict(package: PackageFacts, clock: ExposureClock) -> PackageVerdict:
    """How the package stands."""
    return package_verdict(clock, package.rules)
