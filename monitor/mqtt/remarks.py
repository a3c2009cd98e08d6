"""What ingest has noticed of each sensor that its readings cannot tell: unreadable messages, floods."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from monitor.mqtt.missing_messages import MOST_KEPT

REMEMBERED_S = 3_600.0
LOOK_EVERY_S = 60.0
NOTHING: Mapping[str, int] = MappingProxyType({})


class _Unread(NamedTuple):
    since_s: float
    last_s: float
    messages: int
    fault: str


class Remarks:
    """Noted by the network thread; may be read anywhere."""

    def __init__(self) -> None:
        self._unread: dict[str, _Unread] = {}
        self._flooded: dict[str, tuple[int, float]] = {}
        self._unsound: dict[str, tuple[float, float]] = {}

    def unread(self, sensor: str, arrived_s: float, fault: str) -> None:
        """A message, or a part of one, was set aside."""
        before = self._unread.get(sensor)
        if before is None or arrived_s - before.last_s > REMEMBERED_S:
            before = _Unread(arrived_s, arrived_s, 0, fault)
        self._unread[sensor] = _Unread(before.since_s, arrived_s, before.messages + 1, fault)

    def looks_at_clock(self, sensor: str, arrived_s: float) -> bool:
        """Whether a stamp that was not used is worth reading again, to say how far it is off."""
        seen = self._unsound.get(sensor)
        return seen is None or arrived_s - seen[1] >= LOOK_EVERY_S

    def unstamped(self, sensor: str, arrived_s: float, ahead_s: float | None) -> None:
        """A stamp so far from the arrival that it was not used, or (None) no stamp at all."""
        self._unsound[sensor] = ahead_s or 0.0, arrived_s

    def flooded(self, sensor: str, arrived_s: float, left_out: int) -> None:
        """So many messages were left out of the store since the service started."""
        self._flooded[sensor] = left_out, arrived_s

    def words(
        self, now_s: float, distrusted: frozenset[str], missing: Mapping[str, int] = NOTHING
    ) -> Mapping[str, str]:
        """By sensor, what is to be said of it now; `missing` counts messages that its sequence skips."""
        found: dict[str, list[str]] = {}
        for sensor, seen in self._unread.copy().items():
            if now_s - seen.last_s <= REMEMBERED_S:
                plural = "message was" if seen.messages == 1 else "messages were"
                words = f"{seen.messages} {plural} set aside as not readable, the last one: {seen.fault}"
                found.setdefault(sensor, []).append(words)
        for sensor, (left_out, last_s) in self._flooded.copy().items():
            if now_s - last_s <= REMEMBERED_S:
                words = f"sends far more often than it should: {left_out} messages left out, extremes kept"
                found.setdefault(sensor, []).append(words)
        for sensor, (ahead_s, last_s) in self._unsound.copy().items():
            if ahead_s and now_s - last_s <= 2.0 * LOOK_EVERY_S:
                side = "ahead" if ahead_s > 0.0 else "behind"
                words = f"its clock is {_long(abs(ahead_s))} {side}; judged by arrival, set its clock"
                found.setdefault(sensor, []).append(words)
        for sensor, count in missing.items():
            were = "message is" if count == 1 else "messages are"
            least = "at least " if count >= MOST_KEPT else ""
            words = f"{least}{count} {were} missing by its sequence number since yesterday"
            found.setdefault(sensor, []).append(words)
        for sensor in distrusted:
            found.setdefault(sensor, []).append("its sequence number stands still; mend it, repeats look new")
        return {sensor: "; ".join(words) for sensor, words in found.items()}


def _long(seconds: float) -> str:
    if seconds < 7_200.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3_600.0:.0f} h" if seconds < 172_800.0 else f"{seconds / 86_400.0:.0f} days"
