"""Sends text messages by a modem of the shop's own, through gammu: no network but the telephone's."""

import shutil

from monitor.clock import monotonic_s
from monitor.model.notification import Notification
from monitor.notify.answers import link_of
from monitor.notify.lateness import titled
from monitor.notify.outcome import Delivered, Outcome, Partly, Refused, Retry
from monitor.settings.schema import Channel
from monitor.wire.program import ProgramError, run_program

PROGRAM = "gammu"
NOT_INSTALLED = "gammu is not installed: apt install gammu"


class SmsSender:
    """One text to each number of the channel, one after the other, as a modem sends them."""

    def __init__(self, channel: Channel, program: str = PROGRAM) -> None:
        self._channel = channel
        self._program = program

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once, within the channel's time for all of them; what the network took is delivered."""
        if shutil.which(self._program) is None:
            return Refused(NOT_INSTALLED)
        numbers = _numbers(notification, self._channel)
        if not numbers:
            return Refused("the settings no longer name this number")
        ends_s = monotonic_s() + self._channel.timeout_s
        text = body(notification, now_s)
        missed = {}
        for number in numbers:
            why = self._missed(number, text, ends_s - monotonic_s())
            if why:
                missed[number] = why
        if not missed:
            return Delivered(f"taken by the network for {len(numbers)}")
        reached = tuple(number for number in numbers if number not in missed)
        return Partly(reached, missed) if reached else Retry(next(iter(missed.values())))

    def _missed(self, number: str, text: str, left_s: float) -> str:
        """Why this number has no message; empty where the network took it."""
        if left_s <= 0.0:
            return "no time was left for it"
        asked = [self._program, "-c", str(self._channel.gammu_config), "sendsms", "TEXT", number]
        try:
            code, said = run_program([*asked, "-len", str(len(text)), "-textutf8", text], left_s)
        except ProgramError as error:
            return f"the modem's program {error}"
        lines = said.strip().splitlines()
        return "" if code == 0 else f"the modem's program ended with {code}: {lines[-1] if lines else ''}"


def body(notification: Notification, now_s: float) -> str:
    """The text, with its time where it is late, and the link below it; what to do stands in the text."""
    return "\n".join(filter(None, (titled(notification, now_s, notification.text), link_of(notification))))


def _numbers(notification: Notification, channel: Channel) -> tuple[str, ...]:
    """Whom it goes to: everybody of the channel, or those who were missed before."""
    only = notification.data.get("to")
    return tuple(one for one in channel.to if one in only) if isinstance(only, list) else channel.to
