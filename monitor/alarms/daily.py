"""Says once a day how the shop is: what is fine, what stands, the sensors, and the next humid shift."""

from collections.abc import Sequence
from typing import NamedTuple

from monitor.alarms.messages import LONGEST
from monitor.alarms.wording import Wording, plain

# Message ids.
WELL_TITLE = "All well"
OPEN_TITLE = "Open: {n}"
WELL = "All well at {now}: {n} zones in order."
STANDS = "Open at {now}: {what}."
AND_MORE = "{what} and {n} more"
SENSORS_WELL = "All {n} sensors report."
SENSORS_BAD = "Not believed: {bad} of {n} sensors."
AHEAD = "Next humid shift: {name} {start}, odds {odds}."
NO_HUMID_SHIFT = "No humid shift in sight."
AHEAD_UNKNOWN = "The coming shifts cannot be foretold."
DAILY_TEXTS = (
    WELL_TITLE,
    OPEN_TITLE,
    WELL,
    STANDS,
    AND_MORE,
    SENSORS_WELL,
    SENSORS_BAD,
    AHEAD,
    NO_HUMID_SHIFT,
    AHEAD_UNKNOWN,
)


class HumidShift(NamedTuple):
    """The next shift that looks humid."""

    name: str
    start_s: float
    odds_frac: float


class Day(NamedTuple):
    """What the daily word is made of. `stands` says each open trouble in a few words, the worst first.

    `foretold` is whether anything is known of the coming shifts.
    """

    now_s: float
    zones: int
    stands: tuple[str, ...]
    sensors: int
    sensors_bad: int
    foretold: bool
    humid: HumidShift | None


class Words(NamedTuple):
    """What the lock screen shows."""

    title: str
    text: str


def say_day(day: Day, wording: Wording) -> Words:
    """The daily word. Nothing that is unknown counts as well: it is among what stands."""
    tail = f"{_sensors(day, wording)} {_ahead(day, wording)}".strip()
    now = wording.time(day.now_s, day.now_s)
    if not day.stands:
        text = plain(f"{wording.text(WELL).format(now=now, n=day.zones)} {tail}")
        return Words(wording.text(WELL_TITLE), text[:LONGEST])
    text = ""
    for most in range(len(day.stands), 0, -1):
        what = _row(day.stands, most, wording)
        text = plain(f"{wording.text(STANDS).format(now=now, what=what)} {tail}")
        if len(text) <= LONGEST:
            break
    return Words(wording.text(OPEN_TITLE).format(n=len(day.stands)), text[:LONGEST])


def _row(things: Sequence[str], most: int, wording: Wording) -> str:
    what = "; ".join(things[:most])
    rest = len(things) - most
    return wording.text(AND_MORE).format(what=what, n=rest) if rest else what


def _sensors(day: Day, wording: Wording) -> str:
    if day.sensors_bad:
        return wording.text(SENSORS_BAD).format(bad=day.sensors_bad, n=day.sensors)
    return wording.text(SENSORS_WELL).format(n=day.sensors)


def _ahead(day: Day, wording: Wording) -> str:
    if day.humid is not None:
        return wording.text(AHEAD).format(
            name=day.humid.name,
            start=wording.time(day.humid.start_s, day.now_s),
            odds=f"{day.humid.odds_frac * 100.0:.0f}%",
        )
    return wording.text(NO_HUMID_SHIFT if day.foretold else AHEAD_UNKNOWN)
