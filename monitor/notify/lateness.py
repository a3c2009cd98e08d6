"""Says of a message that it comes late, so that nobody takes it for new."""

from monitor.model.notification import Notification

LATE_S = 600.0


def titled(notification: Notification, now_s: float, title: str = "") -> str:
    """A title, else its own, with the shop's time of the message where it is sent long after it was made."""
    title = title or notification.title
    at = str(notification.data.get("at") or "")
    if not at or now_s - notification.created_s <= LATE_S:
        return title
    return f"[{at}] {title}"
