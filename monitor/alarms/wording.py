"""Writes values, times and names as the shop does: its language, units, clock and names for things."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, NamedTuple, Protocol
from zoneinfo import ZoneInfo

from monitor.alarms.catalogue import Catalogue, Shows
from monitor.model.odds import odds_text
from monitor.model.shop_units import degrees, in_clock, span

# Message ids; extracted into the message catalogue together with the texts of the kinds.
DECIMAL_MARK = "."
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DIFFERENCE = "{number} degrees"
RISING = "rising by {number} degrees an hour"
FALLING = "falling by {number} degrees an hour"
STEADY = "no longer rising"
HOURS = "{number} h"
MINUTES = "{number} min"
ONE_WARNING = "1 warning"
WARNINGS = "{number} warnings"
_MEASURES = (DIFFERENCE, RISING, FALLING, STEADY, HOURS, MINUTES, ONE_WARNING, WARNINGS)
WORDING_TEXTS = (DECIMAL_MARK, *WEEKDAYS, *_MEASURES)


# Signs outside the 7-bit alphabet of text messages, which would halve the room, and what they become.
_PLAIN = str.maketrans(
    {
        "°": "",
        "₂": "2",
        "₃": "3",
        "₄": "4",
        "–": "-",
        "—": "-",
        "−": "-",
        "…": "..",
        "\N{NO-BREAK SPACE}": " ",
    }
    | dict(zip("ÁÍÓÚáíóúÀÈÌÒÙÂÊÎÔÛâêîôûç", "AIOUaiouAEIOUAEIOUaeiouc", strict=True))
    | dict(zip("‘’“”", "''\"\"", strict=True))
)


def plain(text: str) -> str:
    """A text with the usual typographic signs made plain, so that a phone's text message holds it."""
    return text.translate(_PLAIN)


class Translator(Protocol):
    """What `gettext.NullTranslations` and its kin offer."""

    def gettext(self, message: str) -> str: ...


class English:
    """The texts as they were written."""

    def gettext(self, message: str) -> str:
        """The message itself."""
        return message


class Phrases(NamedTuple):
    """What a lock screen shows, and what a page says besides of what to do."""

    title: str
    text: str
    action: str = ""


@dataclass(frozen=True, slots=True)
class Wording:
    """How a shop is spoken to. `names` gives the name of every id; an id without one is shown itself."""

    catalogue: Catalogue
    zone: ZoneInfo
    names: Mapping[str, str] = field(default_factory=dict)
    temperature_unit: Literal["C", "F"] = "C"
    translator: Translator = field(default_factory=English)
    twelve: bool = False  # a clock of twelve hours
    say: Callable[[str], str] = str  # a sentence that was worded in English elsewhere, in the shop's language

    def text(self, message: str) -> str:
        """A text in the shop's language."""
        return self.translator.gettext(message) if message else ""

    def name(self, identifier: str, length: int = 60) -> str:
        """What a thing is called, cut to a length; a number at its end stays."""
        name = self.names.get(identifier, identifier)
        if len(name) <= length:
            return name
        head, _, last = name.rpartition(" ")
        keeps = bool(head) and any(sign.isdigit() for sign in last) and len(last) + 3 <= length
        tail = last if keeps else ""  # the number is what tells one machine from its neighbour
        return name[: length - 2 - len(tail)].rstrip() + ".." + tail

    def number(self, value: float, digits: int) -> str:
        """A number with the language's decimal mark."""
        return f"{value:.{digits}f}".replace(".", self.text(DECIMAL_MARK))

    def value(self, shows: Shows, value: float | None) -> str:
        """A value in the shop's unit."""
        return "?" if value is None else self._known(shows, value)

    def _known(self, shows: Shows, value: float) -> str:
        fahrenheit = self.temperature_unit == "F"
        text = ""
        match shows:
            case Shows.PERCENT:
                text = f"{value * 100.0:.0f}%"
            case Shows.ODDS:
                text = odds_text(value)
            case Shows.TEMPERATURE:
                shown = degrees(value, fahrenheit=fahrenheit)
                text = f"{self.number(shown, 0 if abs(shown) >= 100.0 else 1)} {self.temperature_unit}"
            case Shows.DIFFERENCE:
                text = self.text(DIFFERENCE).format(number=self.number(span(value, fahrenheit=fahrenheit), 1))
            case Shows.RATE:
                text = self._rate(span(value, fahrenheit=fahrenheit))
            case Shows.HOURS:
                text = self.text(HOURS).format(number=self.number(value, 1))
            case Shows.MINUTES:
                text = self.text(MINUTES).format(number=self.number(value / 60.0, 0))
            case Shows.COUNT:
                text = f"{value:.0f}"
            case Shows.WARNINGS:
                text = self._warnings(round(value))
        return text

    def _warnings(self, count: int) -> str:
        return self.text(ONE_WARNING if count == 1 else WARNINGS).format(number=count)

    def _rate(self, rate: float) -> str:
        """Which way it goes in a word, and how fast without a sign."""
        number = self.number(abs(rate), 1)
        if float(f"{rate:.1f}") == 0.0:
            return self.text(STEADY)
        return self.text(RISING if rate > 0.0 else FALLING).format(number=number)

    def clock(self, moment: datetime) -> str:
        """A time of day, such as "05:12" or "5:12 am"."""
        return plain(in_clock(f"{moment:%H:%M}", twelve=self.twelve))

    def time(self, time_s: float, now_s: float) -> str:
        """A moment on the shop's clock, with the weekday where it is not today."""
        moment = datetime.fromtimestamp(time_s, self.zone)
        today = datetime.fromtimestamp(now_s, self.zone).date()
        clock = self.clock(moment)
        if moment.date() == today:
            return clock
        return f"{self.text(WEEKDAYS[moment.weekday()])} {clock}"
