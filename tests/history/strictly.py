"""Histories for tests that want every entry to stand: what the product would set aside is raised."""

from collections.abc import Iterable, Sequence
from datetime import UTC, tzinfo
from functools import partial

from monitor.history.entries import entry_of
from monitor.history.package_history import PackageHistory, package_after
from monitor.history.records import Dated, corrected, folded
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind


def package_history(
    package: str, entries: Sequence[Dated], before: PackageHistory | None = None, zone: tzinfo = UTC
) -> PackageHistory | None:
    """A package's history; `before` is what the settings file says of it. None: it was never opened.

    Raises InputError where the entries cannot be true: a move before it was opened, opened twice.
    """
    history, refusals = folded(entries, before, partial(package_after, package, zone=zone))
    if refusals:
        raise InputError([fault for refusal in refusals for fault in refusal.faults])
    return history


def dated_entries(events: Iterable[Event], kind: EventKind) -> list[Dated]:
    """The entries of one kind after corrections, in order of happening; InputError for an unreadable one."""
    return [
        Dated(event.time_s, entry_of(event.kind, event.body), event.number)
        for event in corrected(events)
        if event.kind is kind
    ]
