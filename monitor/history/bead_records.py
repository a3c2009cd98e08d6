"""Test beads: judged by the rules when they are entered, and gathered as evidence of the shop's own limit."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from monitor.beads.acceptance import Bead, BeadOutcome, judge_bead
from monitor.beads.acceptance_rules import Acceptance, PoreKind
from monitor.beads.causes import Thresholds
from monitor.beads.evidence import BeadPoint
from monitor.history.entries import BeadWelded, Seen, TestBead, entry_of
from monitor.history.records import corrected
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind


@dataclass(frozen=True, slots=True)
class BeadMade:
    """A bead as it stands in the record, for lists and for the fit."""

    id: str  # of its own record; "" where only sound or not sound was tapped
    package: str
    time_s: float
    sound: bool | None  # None: not judged, which is evidence of nothing
    outcome: str
    seen: Seen | None

    @property
    def point(self) -> BeadPoint | None:
        """For the fit; None where the bead was not judged, or hours or dew point were not known."""
        seen = self.seen
        if self.sound is None or seen is None or seen.open_s is None or seen.dew_point_c is None:
            return None
        return BeadPoint(seen.open_s, seen.dew_point_c, self.sound)


def bead_of(entry: BeadWelded) -> Bead:
    """The bead as the rules take it."""
    return Bead(
        length_m=entry.length_m,
        weld=entry.weld,
        thickness_m=entry.thickness_m,
        pores=entry.pores,
        throat_m=entry.throat_m,
        width_m=entry.width_m,
        multilayer=entry.multilayer,
        none_seen=entry.none_seen,
    )


def judged(entry: BeadWelded, known: Mapping[str, Acceptance], seen: Seen) -> BeadWelded:
    """The entry with what its rules say and what was measured then; InputError for what cannot be."""
    if entry.rule not in known:
        raise InputError([Fault("rule", entry.rule or "nothing", f"use one of: {', '.join(known)}")])
    verdict = judge_bead(bead_of(entry), known[entry.rule])
    return replace(
        entry,
        outcome=str(verdict.outcome),
        code=verdict.code,
        clause=verdict.clause,
        edition=verdict.edition,
        text=verdict.text,
        counts=verdict.counts,
        notes=verdict.notes,
        seen=seen,
    )


_SOUND = frozenset({BeadOutcome.NO_PORES, BeadOutcome.COSMETIC, BeadOutcome.ACCEPTABLE})
_LEFT_OUT = "Not judged by these rules"  # so began a note beside an older verdict


def is_sound(entry: BeadWelded) -> bool | None:
    """Whether a bead counts as sound: its rules judged it and did not reject it; None: not judged."""
    if entry.outcome == BeadOutcome.REJECTABLE:
        return False
    if any(note.startswith(_LEFT_OUT) for note in entry.notes):
        return None
    return True if entry.outcome in _SOUND else None


def beads_made(events: Iterable[Event]) -> list[BeadMade]:
    """Every bead after corrections, in order of time; one that has its own record counts by that."""
    made: list[BeadMade] = []
    for event in corrected(events):
        if event.kind not in {EventKind.BEAD, EventKind.PACKAGE}:
            continue
        try:
            entry = entry_of(event.kind, event.body)
        except InputError:
            continue  # nobody can read it; the thing's own page says so
        match entry:
            case BeadWelded(package=package, outcome=outcome, seen=seen):
                made.append(BeadMade(event.subject, package, event.time_s, is_sound(entry), outcome, seen))
            case TestBead(sound=sound, bead="", seen=seen):
                outcome = "sound" if sound else "not sound"
                made.append(BeadMade("", event.subject, event.time_s, sound, outcome, seen))
    return made


def bead_points(beads: Iterable[BeadMade], packages: Collection[str] | None = None) -> list[BeadPoint]:
    """What the fit takes: beads whose hours and dew point are known, of these packages (None: of all)."""
    chosen = (bead.point for bead in beads if packages is None or bead.package in packages)
    return [point for point in chosen if point is not None]


def pattern_of(entry: BeadWelded, limits: Thresholds) -> str | None:
    """Where the pores lie, in the words of the causes file; None where no place was entered."""
    if any(PoreKind.WORMHOLE in pore.kinds for pore in entry.pores):
        return "tracks under the slag"
    places = [pore.position_m for pore in entry.pores if pore.position_m is not None]
    if not places:
        return None
    if max(places) <= limits.start_frac * entry.length_m:
        return "at the start"
    spread = max(places) - min(places)
    many = len(places) >= limits.along_pores
    return "all along" if many and spread >= limits.along_frac * entry.length_m else "scattered"
