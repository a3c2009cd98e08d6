"""Who may be told at a site, in which order, and when they want their quiet."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.alarms.catalogue import Priority
from monitor.model.shift_span import ShiftSpan
from monitor.model.staff import OnCall, Person


class Duty(NamedTuple):
    """A stretch of time in which a person is the first to be told at a site."""

    site: str
    person: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Roster:
    """Who is told. Warnings below `tell_from` are left to the page and the daily digest.

    A site's order may name who is told first while a shift runs; `with_duties` makes it hold for real shifts.
    """

    on_call: Mapping[str, OnCall]  # by site
    people: Mapping[str, Person]
    zones: Mapping[str, ZoneInfo]  # by site
    duties: tuple[Duty, ...] = ()
    tell_from: Priority = Priority.MEDIUM

    @property
    def by_shift(self) -> bool:
        """Whether anybody is told first because of the shift that runs."""
        return any(one.by_shift for one in self.on_call.values())

    def steps(self, site: str, now_s: float) -> tuple[str, ...]:
        """The order in which people are told now: whoever is on duty first."""
        on_duty = [d.person for d in self.duties if d.site == site and d.start_s <= now_s < d.end_s]
        return tuple(dict.fromkeys((*on_duty, *self.on_call[site].steps)))

    def with_duties(self, spans: Iterable[ShiftSpan]) -> "Roster":
        """The roster while these shifts run."""
        duties = (
            Duty(span.site, self.on_call[span.site].by_shift[span.name], span.start_s, span.end_s)
            for span in spans
            if span.site in self.on_call and span.name in self.on_call[span.site].by_shift
        )
        return replace(self, duties=(*self.duties, *duties))

    def name(self, person: str) -> str:
        """What a person is called, as they sign their answers."""
        return self.people[person].name if person in self.people else person

    def quiet_until_s(self, person: str, site: str, now_s: float) -> float | None:
        """When a person's quiet hours that hold now, on the site's clock, end; None if they may be told."""
        known = self.people.get(person)
        if known is None or known.quiet_from is None or known.quiet_to is None:
            return None
        zone = self.zones[site]
        now = datetime.fromtimestamp(now_s, zone)
        for days in (-1, 0):  # they may run past midnight
            begins = datetime.combine(now.date() + timedelta(days), known.quiet_from, zone)
            over = begins.date() + timedelta(known.quiet_to <= known.quiet_from)
            ends = datetime.combine(over, known.quiet_to, zone)
            if begins.timestamp() <= now_s < ends.timestamp():
                return ends.timestamp()
        return None
