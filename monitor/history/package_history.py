"""Derives from the ledger's events what each package has been through, corrections included."""

from dataclasses import dataclass, replace
from datetime import UTC, tzinfo

from monitor.consumables.classes import Place
from monitor.consumables.stays import DatedHappening as Happened
from monitor.consumables.stays import Happening, Stay
from monitor.history.entries import GotWet, Moved, Opened, RanOff, TestBead, Withdrawn
from monitor.history.records import Dated, moment
from monitor.model.errors import Fault, InputError
from monitor.model.thing import Package


@dataclass(frozen=True, slots=True)
class PackageHistory:
    """What a package is and where it has been; `stays` without holes at the end: the last one is open."""

    id: str
    name: str
    consumable: str
    spool: str
    lot: str
    job: str
    stays: tuple[Stay, ...]
    happenings: tuple[Happened, ...]
    wire_m: float | None = None
    mass_kg: float | None = None
    beads: tuple[str, ...] = ()  # ids of bead records already counted
    entered_s: float = 0.0  # of the last entry; 0: only the settings tell of it

    @property
    def opened_s(self) -> float:
        """When it was opened."""
        return self.stays[0].start_s

    @property
    def zone(self) -> str:
        """Where it is now, or was last known to be."""
        return next((stay.zone for stay in reversed(self.stays) if stay.zone), "")

    @property
    def withdrawn_s(self) -> float | None:
        """When it was taken out of use, if it was."""
        times = (one.time_s for one in self.happenings if one.kind is Happening.WITHDRAWN)
        return next(times, None)


def package_after(
    package: str, history: PackageHistory | None, dated: Dated, zone: tzinfo = UTC
) -> PackageHistory:
    """The history with one more entry; InputError where it cannot be true beside the ones before it."""
    return replace(_after(package, history, dated, zone), entered_s=dated.time_s)


def _after(package: str, history: PackageHistory | None, dated: Dated, zone: tzinfo) -> PackageHistory:
    if isinstance(dated.entry, Opened):
        return _opened(package, history, dated, zone)
    if history is None:
        found = moment(dated.time_s, zone)
        fix = "it was not open then; enter first when it was opened"
        raise InputError([Fault(f"{package}: time", found, fix)])
    _check_time(history, dated, zone)
    if isinstance(dated.entry, Moved):
        return _moved(history, dated.time_s, dated.entry)
    happening = _happening(dated, history)
    if happening is None:
        return history
    beads = history.beads
    if isinstance(dated.entry, TestBead) and dated.entry.bead:
        beads = (*beads, dated.entry.bead)
    wire_m = history.wire_m
    if wire_m is None and isinstance(dated.entry, RanOff):
        wire_m = dated.entry.wire_m
    return replace(history, happenings=(*history.happenings, happening), beads=beads, wire_m=wire_m)


def _opened(package: str, history: PackageHistory | None, dated: Dated, zone: tzinfo) -> PackageHistory:
    assert isinstance(dated.entry, Opened)
    opened = dated.entry
    if history is not None:
        found = f"opened already, {moment(history.opened_s, zone)}"
        fix = "enter a move instead, or correct the first entry"
        raise InputError([Fault(package, found, fix)])
    stay = Stay(opened.place, opened.zone, dated.time_s)
    return PackageHistory(
        id=package,
        name=opened.name,
        consumable=opened.consumable,
        spool=opened.spool,
        lot=opened.lot,
        job=opened.job,
        stays=(stay,),
        happenings=(),
        wire_m=opened.wire_m,
        mass_kg=opened.mass_kg,
    )


def _check_time(history: PackageHistory, dated: Dated, zone: tzinfo) -> None:
    """Entries come in order of time; what can still be wrong is a time before what the settings declare."""
    gone_s = history.withdrawn_s
    if gone_s is not None:
        found = f"withdrawn {moment(gone_s, zone)}"
        raise InputError([Fault(history.id, found, "nothing follows that; take that entry back first")])
    least_s = history.stays[-1].start_s if isinstance(dated.entry, Moved) else history.opened_s
    if not dated.time_s >= least_s:
        fix = f"lies before its entry of {moment(least_s, zone)}; correct one of the two"
        raise InputError([Fault(f"{history.id}: time", moment(dated.time_s, zone), fix)])
    if isinstance(dated.entry, RanOff) and dated.entry.minutes * 60.0 > dated.time_s - history.opened_s:
        fix = f"it was opened only {moment(history.opened_s, zone)}; enter the minutes it took"
        raise InputError([Fault(f"{history.id}: minutes", f"{dated.entry.minutes:g}", fix)])


def _moved(history: PackageHistory, time_s: float, moved: Moved) -> PackageHistory:
    stays = history.stays
    last = stays[-1]
    closed = replace(last, end_s=time_s if last.end_s is None else min(last.end_s, time_s))
    warm_c, damp_frac = moved.checked_temperature_c, moved.checked_rh_frac
    if (last.start_s, last.place, last.zone) == (time_s, moved.place, moved.zone or None):
        # Entered twice: what the first said of the place is not unsaid by the second.
        warm_c = last.checked_temperature_c if warm_c is None else warm_c
        damp_frac = last.checked_rh_frac if damp_frac is None else damp_frac
    desiccant_s = time_s if moved.fresh_desiccant else None
    stay = Stay(moved.place, moved.zone or None, time_s, None, warm_c, damp_frac, desiccant_s)
    return replace(history, stays=(*stays[:-1], closed, stay))


def _happening(dated: Dated, history: PackageHistory) -> Happened | None:
    kind, depth_m = None, 0.0
    match dated.entry:
        case GotWet():
            kind = Happening.GOT_WET
        case Withdrawn():
            kind = Happening.WITHDRAWN
        case RanOff():
            kind, depth_m = Happening.RAN_OFF, dated.entry.depth_m
        case TestBead(sound=sound, bead=bead) if not bead or bead not in history.beads:
            kind = Happening.BEAD_SOUND if sound else Happening.BEAD_NOT_SOUND
    return None if kind is None else Happened(kind, dated.time_s, depth_m)


def from_settings(
    package: str,
    name: str,
    consumable: str,
    zone: str,
    opened_s: float,
    sealed_s: float | None,
    oven: str = "",
) -> PackageHistory:
    """What the settings file declares of a package; `oven`: the zone it was put into instead of shut."""
    stays: tuple[Stay, ...] = (Stay(Place.OPEN_AIR, zone, opened_s, sealed_s),)
    if sealed_s is not None:
        kept = Stay(Place.HOLDING_OVEN, oven, sealed_s) if oven else Stay(Place.SEALED, zone, sealed_s)
        stays = (*stays, kept)
    return PackageHistory(package, name, consumable, "", "", "", stays, ())


def declared_history(package: Package) -> PackageHistory:
    """What the settings file says of a package."""
    sealed_s = None if package.sealed_at is None else package.sealed_at.timestamp()
    opened_s = package.opened_at.timestamp()
    names = package.id, package.name, package.consumable, package.zone
    history = from_settings(*names, opened_s, sealed_s, package.oven or "")
    return replace(history, spool=package.spool or "", wire_m=package.wire_m)
