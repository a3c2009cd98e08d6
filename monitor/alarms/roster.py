"""Who may be told at a site, in which order, and when they want their quiet."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
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


class Quiet(NamedTuple):
    """The daily hours, on the site's clock, in which a person is left alone; they may run past midnight."""

    start: time
    end: time

    def until_s(self, now_s: float, zone: ZoneInfo) -> float | None:
        """When the quiet that holds now ends; None if it does not hold."""
        now = datetime.fromtimestamp(now_s, zone)
        for days in (-1, 0):
            begins = datetime.combine(now.date() + timedelta(days), self.start, zone)
            ends = datetime.combine(begins.date() + timedelta(self.end <= self.start), self.end, zone)
            if begins.timestamp() <= now_s < ends.timestamp():
                return ends.timestamp()
        return None


@dataclass(frozen=True, slots=True)
class SiteRoster:
    """The on-call order of one site."""

    steps: tuple[str, ...]
    escalate_after_s: float
    zone: ZoneInfo


@dataclass(frozen=True, slots=True)
class Roster:
    """Who is told. Warnings below `tell_from` are left to the page and the daily digest.

    `by_shift` names who is told first while a shift runs; `with_duties` makes it hold for real shifts.
    """

    sites: Mapping[str, SiteRoster]
    names: Mapping[str, str] = field(default_factory=dict)
    quiet: Mapping[str, Quiet] = field(default_factory=dict)
    duties: tuple[Duty, ...] = ()
    by_shift: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # first told, by site and shift
    tell_from: Priority = Priority.MEDIUM

    def steps(self, site: str, now_s: float) -> tuple[str, ...]:
        """The order in which people are told now: whoever is on duty first."""
        on_duty = [d.person for d in self.duties if d.site == site and d.start_s <= now_s < d.end_s]
        return tuple(dict.fromkeys((*on_duty, *self.sites[site].steps)))

    def with_duties(self, spans: Iterable[ShiftSpan]) -> "Roster":
        """The roster while these shifts run."""
        first = ((span, self.by_shift.get(span.site, {}).get(span.name)) for span in spans)
        duties = (Duty(s.site, person, s.start_s, s.end_s) for s, person in first if person is not None)
        return replace(self, duties=(*self.duties, *duties))

    def name(self, person: str) -> str:
        """What a person is called, as they sign their answers."""
        return self.names.get(person, person)

    def quiet_until_s(self, person: str, site: str, now_s: float) -> float | None:
        """When a person's quiet hours that hold now end; None if they may be told."""
        quiet = self.quiet.get(person)
        return None if quiet is None else quiet.until_s(now_s, self.sites[site].zone)


def roster_from(
    people: Iterable[Person],
    on_call: Iterable[OnCall],
    zones: Mapping[str, ZoneInfo],
    duties: Iterable[Duty] = (),
) -> Roster:
    """The roster in a shop's settings; `zones` gives each site's time zone."""
    known = tuple(people)
    return Roster(
        sites={o.site: SiteRoster(tuple(o.steps), o.escalate_after_s, zones[o.site]) for o in on_call},
        names={p.id: p.name for p in known},
        quiet={
            p.id: Quiet(p.quiet_from, p.quiet_to)
            for p in known
            if p.quiet_from is not None and p.quiet_to is not None
        },
        duties=tuple(duties),
    )
