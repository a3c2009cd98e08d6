"""The process in which the notification library sends one message: `python -m monitor.notify.push_apart`."""

from typing import Any

import apprise
import requests

from monitor.wire.apart import answer_apart

_KIND = {
    "high": apprise.NotifyType.FAILURE,
    "medium": apprise.NotifyType.WARNING,
    "low": apprise.NotifyType.INFO,
}


def send(asked: dict[str, Any]) -> dict[str, Any]:
    """Send title and body to one address; the library says only whether it worked."""
    requests.sessions.DEFAULT_REDIRECT_LIMIT = 0  # a log-in page that takes everything is no receipt
    service = apprise.Apprise()
    if not service.add(asked["url"]):
        return {"usable": False, "sent": False}
    kind = _KIND.get(asked["priority"], apprise.NotifyType.INFO)
    sent = service.notify(body=asked["body"], title=asked["title"], notify_type=kind)
    return {"usable": True, "sent": bool(sent)}


if __name__ == "__main__":
    answer_apart(send)
