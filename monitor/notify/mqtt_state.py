"""Publishes a message as retained MQTT state, for a lamp, a siren or other software."""

import json
from collections.abc import Callable

from monitor.notify.outcome import Delivered, Outcome, Retry
from monitor.notify.webhook import payload
from monitor.values import Notification

Publish = Callable[[str, bytes], str | None]
"""Publishes retained at QoS 1: returns None when the broker has it, else the reason."""


class MqttStateSender:
    """Publishes to `{topic}/{zone}` through the link that is handed in."""

    def __init__(self, topic: str, publish: Publish) -> None:
        self._topic = topic
        self._publish = publish

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
        del now_s
        body = json.dumps(payload(notification), ensure_ascii=False, sort_keys=True).encode()
        problem = self._publish(f"{self._topic}/{notification.zone or 'site'}", body)
        return Delivered() if problem is None else Retry(problem)
