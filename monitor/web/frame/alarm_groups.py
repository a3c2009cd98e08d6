"""Puts alarms that belong together into one card: the same sort of trouble in the same place."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.alarms.catalogue import Catalogue
from monitor.alarms.commands import allowed
from monitor.alarms.states import Alarm, AlarmState
from monitor.model.event import Event
from monitor.model.picture import AlarmNow
from monitor.web.frame.look import SET_APART, UNANSWERED
from monitor.web.frame.show import day_and_clock

_RANKS = {"high": 0, "medium": 1, "low": 2}
_SHIFT = re.compile(r"[^:]+:(?P<name>[^:]+):(?P<starts>\d{4}-\d\d-\d\dT\d\d:\d\d)")
_SERVICE = "service"  # the subject of conditions about the service itself, which their titles name


@dataclass(frozen=True, slots=True)
class AlarmGroup:
    """One fog bank, not forty cylinders; the worst of its alarms speaks for it."""

    id: str
    alarms: tuple[AlarmNow, ...]  # the worst first
    unanswered: bool
    since_s: float

    @property
    def first(self) -> AlarmNow:
        """The one that is shown in full."""
        return self.alarms[0]

    @property
    def state(self) -> str:
        """The state of the one that is shown."""
        return self.first.state


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """What the catalogue of conditions says about ids and events."""

    catalogue: Catalogue
    names: Mapping[str, str]  # of zones, bodies, packages, sensors by id

    def family(self, condition: str) -> str:
        """The family a condition belongs to; a condition unknown here stands alone."""
        kind = self.catalogue.kinds.get(condition.partition(".")[0])
        return condition if kind is None else kind.family

    def title(self, event: Event) -> str:
        """What an alarm event is about, such as "Wet: Mixed gas 3"."""
        said = event.body.get("title")
        if said:
            return str(said)
        name, _, subject = event.subject.partition(".")
        kind = str(event.body.get("kind", name))
        return self.condition(f"{kind}.{event.body.get('subject', subject)}")

    def condition(self, condition: str) -> str:
        """What a condition is about, in words; its id where it is unknown here."""
        name, _, subject = condition.partition(".")
        kind = self.catalogue.kinds.get(name)
        if kind is None:
            return condition
        return kind.title if subject == _SERVICE else f"{kind.title}: {self.named(subject)}"

    def named(self, subject: str) -> str:
        """What a thing is called; a shift by its name and when it begins, also long after it is over."""
        shift = _SHIFT.fullmatch(subject)
        if subject in self.names or shift is None:
            return self.names.get(subject, subject)
        starts = datetime.fromisoformat(shift["starts"])  # the id is written in the site's own time
        return f"{shift['name'].replace('-', ' ')} {day_and_clock(starts)}"


def acts(alarm: AlarmNow) -> frozenset[str]:
    """What a person may do with it as it stands, as the life cycle says."""
    standing = Alarm(alarm.condition, AlarmState(alarm.state), alarm.since_s)
    return frozenset(str(act) for act in allowed(standing))


def groups(alarms: Iterable[AlarmNow], words: AlarmWords) -> list[AlarmGroup]:
    """Every alarm that stands in the open, in groups, unanswered and urgent first."""
    found: dict[tuple[str, str, bool], list[AlarmNow]] = {}
    for alarm in alarms:
        if alarm.state in SET_APART or alarm.state == AlarmState.NORMAL:
            continue
        place = (words.family(alarm.condition), alarm.zone, alarm.state in UNANSWERED)
        found.setdefault(place, []).append(alarm)
    made = [_group(place, members) for place, members in found.items()]
    return sorted(made, key=lambda g: (not g.unanswered, _RANKS.get(g.first.priority, 3), -g.since_s, g.id))


def _group(place: tuple[str, str, bool], members: Sequence[AlarmNow]) -> AlarmGroup:
    family, zone, unanswered = place

    def rank(alarm: AlarmNow) -> tuple[int, bool, float, str]:
        over = alarm.state == AlarmState.RETURNED
        return _RANKS.get(alarm.priority, 3), over, alarm.since_s, alarm.condition

    name = f"{family}-{zone}-{'open' if unanswered else 'answered'}".replace(".", "-").replace(" ", "-")
    ordered = tuple(sorted(members, key=rank))
    return AlarmGroup(name, ordered, unanswered, min(alarm.since_s for alarm in members))
