"""Puts one-tap links into a message: signed, for one purpose and one warning, until they are too old."""

from dataclasses import replace

from monitor.alarms.grouping import GROUP_SIGN
from monitor.model.notification import Notification
from monitor.notify.links import make_link

GOOD_FOR_S = 24 * 3600.0
ACTIONS = {"Acknowledge": "acknowledge", "Shelve": "shelve"}
NOT_ANSWERED = frozenset({"cleared", "answered"})


def with_links(note: Notification, base_url: str | None, key: bytes) -> Notification:
    """The message with links that answer its whole warning, where a phone can reach the pages.

    The name in a link is that of the one person whom the message reaches; where several share the
    channel the page asks who it is.
    """
    about_a_warning = note.subject.startswith(GROUP_SIGN) and note.data.get("telling") not in NOT_ANSWERED
    if base_url is None or not about_a_warning:
        return note
    who, expires_s = str(note.data.get("person", "")), note.created_s + GOOD_FOR_S
    links = {
        name: make_link(base_url, key, action, note.subject, expires_s, who=who)
        for name, action in ACTIONS.items()
    }
    return replace(note, data={**note.data, "links": links})
