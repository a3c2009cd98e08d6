"""What people read on ovens and cabinets, and when desiccant is due."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from monitor.consumables.stays import Stay, StoreReading
from monitor.history.entries import DesiccantRenewed, StoreChecked
from monitor.history.records import Dated
from monitor.model.data_tables import Sourced, Table

__all__ = ["StoreHistory", "StoreReading", "desiccant_lasts", "store_history", "with_checks"]


@dataclass(frozen=True, slots=True)
class StoreHistory:
    """What was read in a storage place, in order of time, and when its desiccant was last renewed."""

    checks: tuple[StoreReading, ...] = ()
    renewed_s: float | None = None

    def desiccant_due_s(self, lasts_s: float) -> float | None:
        """When it is to be renewed; None where no desiccant was ever entered."""
        return None if self.renewed_s is None else self.renewed_s + lasts_s


NOTHING_ENTERED = StoreHistory()


def desiccant_lasts(data: Mapping[str, Any]) -> Sourced:
    """For how many days desiccant counts as fresh where the shop says nothing else, of a stores file."""
    top = Table(data, "")
    lasts = top.sourced("desiccant_lasts", "d", 1.0, 366.0)
    top.finish()
    return lasts


def store_history(entries: Iterable[Dated]) -> StoreHistory:
    """The readings and renewals of one place."""
    checks: list[StoreReading] = []
    renewed_s = None
    for dated in entries:
        match dated.entry:
            case StoreChecked(temperature_c=temperature_c, rh_frac=rh_frac):
                checks.append(StoreReading(dated.time_s, temperature_c, rh_frac))
            case DesiccantRenewed():
                renewed_s = dated.time_s
    return StoreHistory(tuple(checks), renewed_s)


def with_checks(stays: Sequence[Stay], checks: Mapping[str, Sequence[StoreReading]]) -> tuple[Stay, ...]:
    """The stays with what people read where the package lay, in order of time.

    A reading from before the stay is kept too: it speaks on for a while, but proves nothing of later.
    """
    return tuple(
        replace(
            stay,
            checks=tuple(
                check
                for check in sorted(checks.get(stay.zone or "", ()), key=lambda check: check.time_s)
                if stay.end_s is None or check.time_s < stay.end_s
            ),
        )
        for stay in stays
    )
