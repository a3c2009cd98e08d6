"""Tells people that the watch itself stands still, also where nothing can be written any more."""

import logging
import threading
from collections.abc import Mapping
from datetime import datetime, tzinfo
from gettext import NullTranslations

from monitor.alarms.wording import WEEKDAYS
from monitor.model.notification import Notification
from monitor.notify.outcome import Delivered, Partly, Sender
from monitor.store.contract import Ledger, StoreUnavailableError

log = logging.getLogger(__name__)

USEFUL_S = 12 * 3_600.0
TOTAL_S = 30.0  # real seconds for everything that is tried at once; what takes longer is left behind
WRITE_S = 10.0  # real seconds for the outbox
LONGEST = 160  # characters of a message
SUBJECT = "service"


def stands_still(
    since_s: float, now_s: float, why: str, zone: tzinfo, words: NullTranslations
) -> Notification:
    """The word that nothing is judged any more."""
    said = words.gettext("Not judging since {time}. Treat air, steel and rods as unknown: go and look. {why}")
    text = said.format(time=_moment(since_s, now_s, zone, words), why=_short(why))
    return _note("still", since_s, now_s, words.gettext("The watch stands still"), text)


def goes_on(since_s: float, now_s: float, zone: tzinfo, words: NullTranslations) -> Notification:
    """The word that judging goes on."""
    said = words.gettext("Judging again. From {time} until now nobody watched: look at the page.")
    text = said.format(time=_moment(since_s, now_s, zone, words))
    return _note("on", since_s, now_s, words.gettext("The watch goes on"), text)


def not_started(now_s: float, why: str, words: NullTranslations) -> Notification:
    """The word that the service cannot start."""
    said = words.gettext("Dryshift cannot start and watches nothing. {why}")
    return _note(
        "start", now_s, now_s, words.gettext("The watch does not start"), said.format(why=_short(why))
    )


def _moment(time_s: float, now_s: float, zone: tzinfo, words: NullTranslations) -> str:
    """A moment on the shop's clock, with the weekday where it is not today, with the date where long ago."""
    moment, now = (datetime.fromtimestamp(one, zone) for one in (time_s, now_s))
    days = (now.date() - moment.date()).days
    if days == 0:
        return f"{moment:%H:%M}"
    day = words.gettext(WEEKDAYS[moment.weekday()]) if days < len(WEEKDAYS) else f"{moment:%Y-%m-%d}"
    return f"{day} {moment:%H:%M}"


def _short(why: str) -> str:
    """A phone has no room for the path of a file."""
    place, sign, words = why.partition(": ")
    return words if sign and "/" in place else why


def _note(kind: str, since_s: float, now_s: float, title: str, text: str) -> Notification:
    return Notification(
        key=f"watch/{kind}/{since_s:.0f}/{now_s:.0f}",
        created_s=now_s,
        expires_s=now_s + USEFUL_S,
        priority="high",
        title=title,
        text=text if len(text) <= LONGEST else text[: LONGEST - 1] + "…",
        subject=SUBJECT,
        zone="",
        since_s=since_s,
        action="",
        data={"why": f"watch_{kind}"},
    )


def tell(senders: Mapping[str, Sender], ledger: Ledger | None, note: Notification, now_s: float) -> int:
    """Through the outbox where it can be written, else straight through every channel; how many have it.

    An outbox that cannot be written within ten seconds is left alone, and so is a channel within thirty.
    """
    if ledger is not None and _kept(senders, ledger, note, now_s):
        return len(senders)
    return send_straight(senders, note, now_s)


def send_straight(senders: Mapping[str, Sender], note: Notification, now_s: float) -> int:
    """Try every channel once, all at the same time; how many took it within the time."""
    taken: list[str] = []

    def send(name: str, sender: Sender) -> None:
        try:
            outcome = sender.send(note, now_s)
        except Exception:  # loop border: one channel's defect must not stop the others
            log.exception("channel %s met a defect", name)
            return
        if isinstance(outcome, Delivered | Partly):
            taken.append(name)
        else:
            log.error("channel %s did not take the word that the watch stands still: %s", name, outcome)

    threads = [
        threading.Thread(target=send, args=one, name=f"distress-{one[0]}", daemon=True)
        for one in senders.items()
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(TOTAL_S / len(threads))
    return len(taken)


def _kept(senders: Mapping[str, Sender], ledger: Ledger, note: Notification, now_s: float) -> bool:
    done: list[bool] = []

    def write() -> None:
        try:
            ledger.commit([], entered_s=now_s, outbox=[(name, note) for name in senders])
            done.append(True)
        except StoreUnavailableError as error:
            log.warning("the outbox cannot be written, channels are tried at once: %s", error)

    thread = threading.Thread(target=write, name="distress-outbox", daemon=True)
    thread.start()
    thread.join(WRITE_S)
    return bool(done)
