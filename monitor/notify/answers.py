"""Gives a message its one link: short, for one warning and one person, until it is too old."""

from dataclasses import replace

from monitor.alarms.grouping import GROUP_SIGN
from monitor.model.notification import Notification
from monitor.notify.links import new_token, short_link

ANSWER = "Answer"
NOT_ANSWERED = frozenset({"cleared", "answered"})


def with_link(note: Notification, base_url: str | None) -> Notification:
    """The message with the link to the page that answers its warning, where a phone can reach the pages.

    It answers as the one person whom the message reaches; where several share the channel the page asks
    who it is.
    """
    about_a_warning = note.subject.startswith(GROUP_SIGN) and note.data.get("telling") not in NOT_ANSWERED
    if base_url is None or not about_a_warning:
        return note
    token = new_token()
    return replace(note, token=token, data={**note.data, "links": {ANSWER: short_link(base_url, token)}})


def link_of(note: Notification) -> str:
    """The link of a message; empty where it has none."""
    links = note.data.get("links")
    return str(next(iter(links.values()), "")) if isinstance(links, dict) else ""
