"""Sends through a push, SMS or chat service by way of a general notification library."""

from monitor.model.notification import Notification
from monitor.notify.answers import link_of
from monitor.notify.lateness import titled
from monitor.notify.outcome import Delivered, Outcome, Refused, Retry
from monitor.wire.apart import ApartError, ask_apart


class PushSender:
    """Sends to one service address.

    The library waits and reads as long as a service lets it, so each message is sent by a process of its
    own, which is ended where its total time is over.
    """

    def __init__(self, url: str, timeout_s: float) -> None:
        self._url = url
        self._timeout_s = timeout_s

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
        # Short, for it may go out as text messages: the page behind the link has all there is to do.
        more = link_of(notification) or notification.action
        question = {
            "url": self._url,
            "title": titled(notification, now_s),
            "body": "\n".join(line for line in (notification.text, more) if line),
            "priority": notification.priority,
        }
        try:
            answer = ask_apart("monitor.notify.push_apart", question, self._timeout_s)
        except ApartError as error:
            return Retry(f"no answer from the push service: {error}")
        if not answer["usable"]:
            return Refused("the push address is not one the notification library knows")
        return Delivered() if answer["sent"] else Retry("the push service did not take it")
