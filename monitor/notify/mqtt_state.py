"""Publishes a message as the last one of its site, retained, for software that passes messages on itself."""

import json

from monitor.model.notification import Notification
from monitor.notify.lamps import Publish
from monitor.notify.outcome import Delivered, Outcome, Retry
from monitor.notify.webhook import payload

LAST_MESSAGE = "_message"  # no zone can be called so
ALL_SITES = "_all"


class MqttMessageSender:
    """Publishes beside the states of lamps, through the link that is handed in."""

    def __init__(self, base: str, publish: Publish) -> None:
        self._base = base
        self._publish = publish

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
        del now_s
        body = json.dumps(payload(notification), ensure_ascii=False, sort_keys=True).encode()
        site = str(notification.data.get("site") or ALL_SITES)
        problem = self._publish(f"{self._base.replace('{site}', site)}/{LAST_MESSAGE}", body)
        return Delivered() if problem is None else Retry(problem)
