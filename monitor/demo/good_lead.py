"""The yard's lead, who answers warnings after some minutes and bags open wire before people leave."""

import threading
from collections.abc import Callable

from monitor.alarms.states import Command, CommandKind
from monitor.consumables.classes import Place, consumable_classes
from monitor.consumables.run_off import WIRES
from monitor.history.entries import Entry, Moved
from monitor.model.picture import AlarmNow, Picture
from monitor.settings.reference import load_toml

LOOKS_EVERY_S = 0.2  # real seconds
ANSWERS_AFTER_S = {"high": 300.0, "medium": 900.0, "low": 2_700.0}  # by priority; nobody answers at once
UNANSWERED = frozenset({"unacknowledged", "returned_unacknowledged", "latched_unacknowledged"})
LEFT_OPEN = "package_left_open."


class GoodLead:
    """A thread that answers what stands, by the time that was judged; what began last is left.

    What asks again, as what was quiet overnight does in the morning, is answered again.

    `answer` takes a command, `enter` a package with what was done to it; both say nothing back.
    """

    def __init__(
        self,
        picture: Callable[[], Picture],
        answer: Callable[[Command], object],
        enter: Callable[[str, Entry], object],
        who: str,
        leaves_from_s: float,
    ) -> None:
        self._picture, self._answer, self._enter = picture, answer, enter
        self._who, self._leaves_from_s = who, leaves_from_s
        classes = consumable_classes(load_toml("consumables.toml"))
        self._wires = {one for one, known in classes.items() if known.kind in WIRES}
        self._tried: dict[str, float] = {}  # when each was answered last
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="demo-lead", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """Go home."""
        self._stopping.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stopping.wait(LOOKS_EVERY_S):
            self.look()

    def look(self) -> None:
        """Answer everything whose time has come."""
        picture = self._picture()
        if picture.not_judged:
            return
        for alarm in picture.alarms:
            if self._due(alarm, picture.time_s):
                self._tried[alarm.condition] = picture.time_s
                self._answer(
                    Command(CommandKind.ACKNOWLEDGE, alarm.condition, self._who, began_s=alarm.since_s)
                )
                self._put_away(alarm, picture)

    def _due(self, alarm: AlarmNow, now_s: float) -> bool:
        asked_s = max(alarm.since_s, self._tried.get(alarm.condition, alarm.since_s))
        return (
            alarm.state in UNANSWERED
            and alarm.since_s < self._leaves_from_s
            and now_s - asked_s >= ANSWERS_AFTER_S[alarm.priority]
        )

    def _put_away(self, alarm: AlarmNow, picture: Picture) -> None:
        if not alarm.condition.startswith(LEFT_OPEN):
            return
        name = alarm.condition.removeprefix(LEFT_OPEN)
        for package in picture.packages:
            if package.id == name and package.open_now and package.consumable in self._wires:
                self._enter(name, Moved(Place.BAGGED, package.zone, fresh_desiccant=True))
