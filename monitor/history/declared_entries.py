"""What the settings file tells of a thing, as the entry it stands for."""

from monitor.history.entries import CylinderDelivered, Entry, Opened, PlateBroughtIn
from monitor.history.shop_history import DeclaredThings


def declared_entry(declared: DeclaredThings, subject: str) -> tuple[Entry, float | None] | None:
    """The entry, and when it happened where the settings say so; None of what they do not declare."""
    package = declared.packages.get(subject)
    if package is not None:
        place = package.stays[0]
        zone, spool, lot, job = place.zone or "", package.spool, package.lot, package.job
        opened = Opened(package.name, package.consumable, zone, place.place, spool, lot, job)
        return opened, package.opened_s
    body = declared.bodies.get(subject)
    if body is None:
        return None
    if body.kind == "cylinder":
        return CylinderDelivered(body.name, body.gas, body.zone), None
    return PlateBroughtIn(body.name, body.zone, body.thickness_m or 0.0), None
