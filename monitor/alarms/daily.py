"""Says once a day how the shop is: what is fine, what stands, the sensors, and the next humid shift."""

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import NamedTuple

from monitor.alarms.messages import LONGEST
from monitor.alarms.wording import Phrases, Wording, plain
from monitor.model.odds import odds_text
from monitor.model.picture import ShiftNow

# Message ids.
WELL_TITLE = "All well"
OPEN_TITLE = "Open: {n}"
WELL = "All well at {now}: {n} zones in order."
STANDS = "Open at {now}: {what}."
NOTHING = "Nothing open at {now}."
AND_MORE = "{what} and {n} more"
NOTES = "Minor, on the page: {n}."
NOT_KNOWN = "Not known: {n}, see the page."
NOT_KNOWN_TITLE = "Not known: {n}"
RED = "Red on the page: {n}."
SENSORS_WELL = "All {n} sensors report."
SENSORS_BAD = "Not believed: {bad} of {n} sensors."
AHEAD = "Next humid shift: {name} {start}, chance {odds}."
NO_HUMID_SHIFT = "No humid shift in sight."
NO_SHIFT = "No other shift within two days."
AHEAD_UNKNOWN = "No forecast for the coming shifts."
PROOF = "Record proof {witness}."
WITNESS_CHARACTERS = 24  # of an event's number, up to ten millions, and 64 bits of its hash
DAILY_TEXTS = (
    WELL_TITLE,
    OPEN_TITLE,
    WELL,
    STANDS,
    NOTHING,
    AND_MORE,
    NOTES,
    NOT_KNOWN,
    NOT_KNOWN_TITLE,
    RED,
    SENSORS_WELL,
    SENSORS_BAD,
    AHEAD,
    NO_HUMID_SHIFT,
    NO_SHIFT,
    AHEAD_UNKNOWN,
    PROOF,
)


class Sight(StrEnum):
    """What is known of the coming shifts."""

    DRY = "dry"
    HUMID = "humid"
    NO_SHIFT = "no shift"
    UNKNOWN = "unknown"


class Day(NamedTuple):
    """What the daily word is made of.

    `stands` says each open trouble in a few words, the worst first; `notes` counts those of low priority;
    `unknown` and `red` count what the page shows so.
    """

    now_s: float
    zones: int
    stands: tuple[str, ...]
    notes: int
    sensors: int
    sensors_bad: int
    sight: Sight
    humid: ShiftNow | None = None  # the next that looks humid
    unknown: int = 0
    red: int = 0


def say_day(day: Day, wording: Wording) -> Phrases:
    """The daily word; all is well only where nothing stands, nothing is red and everything is known.

    It leaves room for the proof of the record, which is put behind it when it is written down.
    """
    most = LONGEST - len(proof_words(wording, "0" * WITNESS_CHARACTERS)) - 1
    now = wording.time(day.now_s, day.now_s)
    tails = _tails(day, wording)
    notes = wording.text(NOTES).format(n=day.notes) if day.notes else ""
    if not day.stands:
        head = _nothing_stands(day, wording, now)
        texts = [f"{head.text} {tail}" for tail in tails]
        return Phrases(head.title, _fitting((f"{texts[0]} {notes}", *texts), most))
    rows = (_row(day.stands, named, wording) for named in range(len(day.stands), 0, -1))
    stands = [wording.text(STANDS).format(now=now, what=what) for what in rows]
    ahead, short = tails[:2], tails[2:]
    texts = [f"{said} {tail}" for some in (ahead, short) for said in stands for tail in some]
    title = wording.text(OPEN_TITLE).format(n=len(day.stands))
    return Phrases(title, _fitting((f"{texts[0]} {notes}", *texts, stands[-1]), most))


def _tails(day: Day, wording: Wording) -> tuple[str, str, str, str]:
    """What follows what stands, ever shorter; that all sensors report goes first, what is not known last."""
    unknown = wording.text(NOT_KNOWN).format(n=day.unknown) if day.unknown else ""
    sensors, ahead = _sensors(day, wording), _ahead(day, wording)
    bad = sensors if day.sensors_bad else ""
    whole = (f"{unknown} {sensors} {ahead}", f"{unknown} {bad} {ahead}", f"{unknown} {bad}", unknown)
    first, second, third, fourth = (" ".join(tail.split()) for tail in whole)
    return first, second, third, fourth


def proof_words(wording: Wording, witness: str) -> str:
    """What says in the daily word where the record ended then."""
    return plain(wording.text(PROOF).format(witness=witness))


def _nothing_stands(day: Day, wording: Wording, now: str) -> Phrases:
    """Title and first sentence where no trouble stands: what is set aside or not known is not well."""
    nothing = wording.text(NOTHING).format(now=now)
    if day.red:
        red = wording.text(RED).format(n=day.red)
        return Phrases(red.rstrip("."), f"{nothing} {red}")
    if day.unknown:
        return Phrases(wording.text(NOT_KNOWN_TITLE).format(n=day.unknown), nothing)
    if day.sensors_bad:
        return Phrases(_sensors(day, wording).rstrip("."), nothing)
    return Phrases(wording.text(WELL_TITLE), wording.text(WELL).format(now=now, n=day.zones))


def _fitting(texts: Iterable[str], most: int) -> str:
    """The first that fits, else the last cut short."""
    text = ""
    for one in texts:
        text = plain(one.strip())
        if len(text) <= most:
            return text
    return text[:most]


def _row(things: Sequence[str], most: int, wording: Wording) -> str:
    what = "; ".join(things[:most])
    rest = len(things) - most
    return wording.text(AND_MORE).format(what=what, n=rest) if rest else what


def _sensors(day: Day, wording: Wording) -> str:
    if day.sensors_bad:
        return wording.text(SENSORS_BAD).format(bad=day.sensors_bad, n=day.sensors)
    return wording.text(SENSORS_WELL).format(n=day.sensors)


def _ahead(day: Day, wording: Wording) -> str:
    if day.humid is not None and day.humid.probability_frac is not None:
        return wording.text(AHEAD).format(
            name=day.humid.name,
            start=wording.time(day.humid.start_s, day.now_s),
            odds=odds_text(day.humid.probability_frac),
        )
    said = {Sight.DRY: NO_HUMID_SHIFT, Sight.NO_SHIFT: NO_SHIFT}.get(day.sight, AHEAD_UNKNOWN)
    return wording.text(said)
