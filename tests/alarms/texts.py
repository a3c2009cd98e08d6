"""Lists every text of the alarms that a person reads, for the message catalogue of other languages."""

from collections.abc import Iterator
from typing import NamedTuple

from monitor.alarms.catalogue import Catalogue, Response
from monitor.alarms.daily import DAILY_TEXTS
from monitor.alarms.messages import FRAME_TEXTS
from monitor.alarms.outlook_words import AHEAD_TEXTS
from monitor.alarms.wording import WORDING_TEXTS


class Text(NamedTuple):
    """A text as written, where it stands, and what a translator should know."""

    msgid: str
    place: str
    hint: str = ""


def texts(catalogue: Catalogue) -> Iterator[Text]:
    """Every text, in a fixed order; the same text may come more than once."""
    for msgid in WORDING_TEXTS:
        hint = "The decimal mark in numbers." if msgid == "." else ""
        yield Text(msgid, "monitor/alarms/wording.py", hint)
    for module, msgids in (("messages", FRAME_TEXTS), ("ahead", AHEAD_TEXTS), ("daily", DAILY_TEXTS)):
        for msgid in msgids:
            yield Text(msgid, f"monitor/alarms/{module}.py", "Part of a message of at most 160 characters.")
    for name, family in catalogue.families.items():
        yield Text(family.title, f"families.{name}.title")
        yield Text(family.says, f"families.{name}.says", "Followed by what to do; 160 characters together.")
        yield Text(family.says_clear, f"families.{name}.says_clear", "Follows the words for an all clear.")
    for name, kind in catalogue.kinds.items():
        yield Text(kind.title, f"kinds.{name}.title")
        yield Text(kind.says, f"kinds.{name}.says", "Followed by what to do; 160 characters together.")
        yield Text(kind.says_clear, f"kinds.{name}.says_clear", "Follows the words for an all clear.")
        if kind.says_by:
            yield Text(kind.says_by, f"kinds.{name}.says_by")
        if kind.says_many:
            yield Text(
                kind.says_many, f"kinds.{name}.says_many", "Followed by what to do; 160 characters together."
            )
    for name, response in catalogue.responses.items():
        yield from _of_response(name, response)


def _of_response(name: str, response: Response) -> Iterator[Text]:
    short = "Keep it short; never advise heating a cylinder."
    yield Text(response.short, f"responses.{name}.short", short)
    if response.many:
        yield Text(response.many, f"responses.{name}.many", short)
    if response.sort:
        yield Text(response.sort, f"responses.{name}.sort", "As in: 6 cylinders wet in Gas Cage.")
    yield Text(response.full, f"responses.{name}.full", "Never advise heating a cylinder.")
