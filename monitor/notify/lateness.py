"""Says of a message that it comes late, so that nobody takes it for new."""

from monitor.model.notification import Notification

LATE_S = 600.0


def titled(notification: Notification, now_s: float) -> str:
    """The title, with the shop's time of the message where it is sent long after it was made."""
    at = str(notification.data.get("at") or "")
    if not at or now_s - notification.created_s <= LATE_S:
        return notification.title
    return f"[{at}] {notification.title}"
