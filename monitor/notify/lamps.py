"""Keeps a retained MQTT state of every zone as it is now; that for lamps, sirens and other software."""

import json
from collections.abc import Callable, Iterable
from typing import Any

from monitor.model.level import Level
from monitor.model.picture import AlarmNow, Picture
from monitor.settings.schema import Channel

Publish = Callable[[str, bytes], str | None]
"""Publishes retained at QoS 1: returns None when the broker has it, else the reason."""
PublishFor = Callable[[str, bytes, int], str | None]
"""The same; the broker forgets it after so many seconds (MQTT 5)."""

WHOLE_SITE = "_site"  # no zone can be called so
AGAIN_S = 600.0  # said again though nothing changed, so that a lamp can tell a dead service from a quiet one
SET_DOWN = frozenset({"shelved", "out_of_service"})
UNANSWERED = frozenset({"unacknowledged", "returned_unacknowledged", "latched_unacknowledged"})
_WORST = (Level.DANGER, Level.CAUTION, Level.UNKNOWN, Level.SAFE)
_PRIORITIES = ("high", "medium", "low")


def topic_base(channel: Channel, root: str) -> str:
    """Where a channel's states hang; `{site}` stands for the site's id."""
    return channel.topic or f"{root}/{{site}}/lamp"


def lamp_states(now: Picture) -> dict[tuple[str, str], dict[str, Any]]:
    """By site and zone: how bad it is there, and what stands; one more for each whole site."""
    states: dict[tuple[str, str], dict[str, Any]] = {}
    for site in dict.fromkeys(zone.site for zone in now.zones):
        zones = {zone.id: zone.level for zone in now.zones if zone.site == site}
        levels = {name: [level] for name, level in zones.items()}
        for body in now.bodies:
            if body.zone in levels:
                levels[body.zone].append(body.level)
        alarms = [alarm for alarm in now.alarms if alarm.state not in SET_DOWN]
        for name, found in levels.items():
            states[site, name] = _state(found, [alarm for alarm in alarms if alarm.zone == name])
        here = [alarm for alarm in alarms if not alarm.zone or alarm.zone in zones]
        states[site, WHOLE_SITE] = _state([one for found in levels.values() for one in found], here)
    return states


def _state(levels: Iterable[Level], alarms: list[AlarmNow]) -> dict[str, Any]:
    found = set(levels)
    ordered = sorted(alarms, key=lambda a: (_PRIORITIES.index(a.priority), a.since_s, a.condition))
    first = ordered[0] if ordered else None
    return {
        "level": str(next((level for level in _WORST if level in found), Level.UNKNOWN)),
        "priority": "none" if first is None else first.priority,
        "unanswered": any(alarm.state in UNANSWERED for alarm in alarms),
        "count": len(alarms),
        "title": "" if first is None else first.title,
        "text": "" if first is None else first.text,
        "since_s": None if first is None else first.since_s,
    }


class Lamps:
    """The states of every zone: publishes what has changed, and all of it now and then.

    A state is good until it should have come twice more: then the service is dead, and nobody knows.
    """

    def __init__(
        self,
        base: str,
        publish: PublishFor,
        states: Callable[[Picture], dict[tuple[str, str], dict[str, Any]]] = lamp_states,
        again_s: float = AGAIN_S,
        last: str = "",
    ) -> None:
        self._base = base
        self._last = last
        self._states = states
        self._again_s = again_s
        self._good_s = 2 * int(again_s)
        self._publish = publish
        self._shown: dict[str, dict[str, Any]] = {}
        self._all_s: float | None = None

    def show(self, now: Picture) -> str | None:
        """None when the broker has everything, else what went wrong; the rest waits for the next turn."""
        if self._all_s is None or not 0.0 <= now.time_s - self._all_s < self._again_s:
            self._shown.clear()
        for (site, zone), state in self._states(now).items():
            topic = f"{self._base.replace('{site}', site)}/{zone}{self._last}"
            if self._shown.get(topic) == state:
                continue
            body = {**state, "site": site, "zone": zone, "time_s": now.time_s}
            body["valid_until_s"] = now.time_s + self._good_s
            text = json.dumps(body, ensure_ascii=False, sort_keys=True)
            problem = self._publish(topic, text.encode(), self._good_s)
            if problem is not None:
                return problem
            if not self._shown:
                self._all_s = now.time_s
            self._shown[topic] = state
        return None

    def forget(self) -> None:
        """The broker was away and may have lost what it held."""
        self._shown.clear()
        self._all_s = None
