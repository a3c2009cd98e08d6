"""Tries one channel with a message that says it is a test, and says what became of it."""

from monitor.model.actor import Actor
from monitor.model.event import EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.notify.outcome import Delivered, Outcome, Partly, Refused, Retry, Sender, said_of

SUBJECT = "test"
GOOD_FOR_S = 600.0
LONGEST = 160


def trial_note(channel: str, who: str, now_s: float) -> Notification:
    """The test message."""
    said = f"Dryshift test by {who}: this channel works. Nothing is wrong and nothing is to be done."
    return Notification(
        key=f"test/{channel}/{now_s:.3f}",
        created_s=now_s,
        expires_s=now_s + GOOD_FOR_S,
        priority="low",
        title="Test",
        text=said[:LONGEST],
        subject=SUBJECT,
        zone="",
        since_s=now_s,
        action="",
        data={"test": True, "channel": channel, "who": who},
    )


def word(outcome: Outcome) -> tuple[str, str]:
    """What became of it (delivered, retry, refused) and the receiver's words."""
    match outcome:
        case Delivered(detail):
            return "delivered", detail
        case Partly(reached, missed):
            return "retry", f"{len(reached)} have it; not {said_of(missed)}"
        case Retry(cause, _):
            return "retry", cause
        case Refused(cause):
            return "refused", cause


def try_channel(sender: Sender, channel: str, who: Actor, now_s: float) -> tuple[Outcome, NewEvent]:
    """Send the test message once; the event is for the record."""
    note = trial_note(channel, who.name, now_s)
    outcome = sender.send(note, now_s)
    state, cause = word(outcome)
    body: dict[str, object] = {"channel": channel, "key": note.key, "state": state, "test": True}
    return outcome, NewEvent(EventKind.DELIVERY, SUBJECT, now_s, who.name, body, cause, known_by=who.proof)
