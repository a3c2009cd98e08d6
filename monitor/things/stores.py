"""What people read on ovens and cabinets, how long it speaks, and when desiccant is due."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from monitor.exposure.history import Stay
from monitor.things.entries import DesiccantRenewed, StoreChecked
from monitor.things.telling import Dated

DESICCANT_S = 30 * 86_400.0  # common practice: renewed or regenerated monthly
_FOREVER = float("inf")


@dataclass(frozen=True, slots=True)
class Check:
    """A person's reading of a place's own display; what was not read is None."""

    time_s: float
    temperature_c: float | None = None
    rh_frac: float | None = None


@dataclass(frozen=True, slots=True)
class StoreHistory:
    """What was read in a storage place, in order of time, and when its desiccant was last renewed."""

    checks: tuple[Check, ...] = ()
    renewed_s: float | None = None

    def desiccant_due_s(self, lasts_s: float | None) -> float | None:
        """When it is to be renewed; None where no desiccant was ever entered."""
        return None if self.renewed_s is None else self.renewed_s + (lasts_s or DESICCANT_S)


def store_history(entries: Iterable[Dated]) -> StoreHistory:
    """The readings and renewals of one place."""
    checks: list[Check] = []
    renewed_s = None
    for dated in entries:
        match dated.entry:
            case StoreChecked(temperature_c=temperature_c, rh_frac=rh_frac):
                checks.append(Check(dated.time_s, temperature_c, rh_frac))
            case DesiccantRenewed():
                renewed_s = dated.time_s
    return StoreHistory(tuple(checks), renewed_s)


def with_checks(
    stays: Sequence[Stay], checks: Mapping[str, Sequence[Check]], speaks_s: float
) -> tuple[Stay, ...]:
    """The stays cut where a person's reading begins and ends to speak, each piece with what was read.

    A reading speaks from its time on for `speaks_s`, or until the next one; what was read when a package was
    put away is the first reading of that stay. After that nobody knows, and it counts as not known.
    """
    return tuple(piece for stay in stays for piece in _cut(stay, checks.get(stay.zone or "", ()), speaks_s))


def _cut(stay: Stay, checks: Sequence[Check], speaks_s: float) -> list[Stay]:
    own = Check(stay.start_s, stay.checked_temperature_c, stay.checked_rh_frac)
    end_s = _FOREVER if stay.end_s is None else stay.end_s
    heard = sorted((own, *checks), key=lambda check: check.time_s)
    near = [check for check in heard if check.time_s < end_s and check.time_s + speaks_s > stay.start_s]
    edges = {stay.start_s, end_s}
    for check in near:
        edges |= {min(max(time_s, stay.start_s), end_s) for time_s in (check.time_s, check.time_s + speaks_s)}
    pieces: list[Stay] = []
    for start_s, until_s in pairwise(sorted(edges)) if len(edges) > 1 else ((stay.start_s, end_s),):
        spoken = [check for check in near if check.time_s <= start_s < check.time_s + speaks_s]
        temperature_c = next((c.temperature_c for c in reversed(spoken) if c.temperature_c is not None), None)
        rh_frac = next((c.rh_frac for c in reversed(spoken) if c.rh_frac is not None), None)
        ends = None if until_s == _FOREVER else until_s
        piece = replace(
            stay, start_s=start_s, end_s=ends, checked_temperature_c=temperature_c, checked_rh_frac=rh_frac
        )
        last = pieces[-1] if pieces else None
        if last is not None and _read(last) == _read(piece):
            pieces[-1] = replace(last, end_s=ends)
        else:
            pieces.append(piece)
    return pieces


def _read(stay: Stay) -> tuple[float | None, float | None]:
    return stay.checked_temperature_c, stay.checked_rh_frac
