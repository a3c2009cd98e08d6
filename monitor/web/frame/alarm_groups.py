"""Puts alarms that belong together into one card: the same sort of trouble in the same place."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.alarms.commands import allowed
from monitor.alarms.states import UNANSWERED, Alarm, AlarmState
from monitor.model.picture import AlarmNow
from monitor.report.condition_words import AlarmWords
from monitor.web.frame.look import SET_APART

_RANKS = {"high": 0, "medium": 1, "low": 2}


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
