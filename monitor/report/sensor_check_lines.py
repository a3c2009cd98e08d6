"""The checks of humidity sensors that stand in the ledger, for reports, pages and the start."""

from monitor.model.event import EventKind
from monitor.sensors.salt_check import DatedCheck, standing_checks
from monitor.store.contract import Ledger


def checks_of(ledger: Ledger, sensor: str) -> list[DatedCheck]:
    """One sensor's checks that were not taken back, in order of time."""
    kinds = (EventKind.SENSOR_CHECK, EventKind.CORRECTION)
    return standing_checks(ledger.events(kinds=kinds, subject=sensor))


def all_checks(ledger: Ledger) -> dict[str, list[DatedCheck]]:
    """The same for every sensor that was ever checked."""
    ever = {event.subject for event in ledger.events(kinds=[EventKind.SENSOR_CHECK])}
    return {sensor: checks_of(ledger, sensor) for sensor in ever}
