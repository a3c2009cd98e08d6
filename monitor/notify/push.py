"""Sends through a push, SMS or chat service by way of a general notification library."""

import apprise

from monitor.model.notification import Notification
from monitor.notify.lateness import titled
from monitor.notify.outcome import Delivered, Outcome, Refused, Retry

_KIND = {
    "high": apprise.NotifyType.FAILURE,
    "medium": apprise.NotifyType.WARNING,
    "low": apprise.NotifyType.INFO,
}


class PushSender:
    """Sends to one service address."""

    def __init__(self, url: str) -> None:
        self._service = apprise.Apprise()
        self._usable = self._service.add(url)

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once; the library says only whether it worked."""
        if not self._usable:
            return Refused("the push address is not one the notification library knows")
        links = notification.data.get("links")
        answers = [f"{name}: {url}" for name, url in links.items()] if isinstance(links, dict) else []
        body = "\n".join(line for line in (notification.text, notification.action, *answers) if line)
        kind = _KIND.get(notification.priority, apprise.NotifyType.INFO)
        sent = self._service.notify(body=body, title=titled(notification, now_s), notify_type=kind)
        return Delivered() if sent else Retry("the push service did not take it")
