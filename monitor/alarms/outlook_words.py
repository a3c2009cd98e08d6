"""Says on a phone which shifts ahead look humid: from when to when, how sure, why, and what to do first."""

from collections.abc import Iterator, Sequence

from monitor.alarms.messages import LONGEST
from monitor.alarms.wording import Phrases, Wording, plain
from monitor.model.odds import odds_text
from monitor.model.picture import ActionNow, ShiftNow

# Message ids.
ONE_TITLE = "Humid shift {start}"
ONE = "Humid {name} shift {start}, chance {odds}"
SPELL_TITLE = "Humid until {end}"
SPELL = "Humid spell {start} to {end}, {n} shifts, chance up to {odds}"
LONGER = "Humid spell lasts to {end}, chance up to {odds}"
ALSO = "Then {start} to {end}."
BY = "By {by}: {do}"
OFF_TITLE = "Humid shift called off"
OFF = "{name} shift {start} no longer looks humid; the plan for it is off."
OFF_SPELL = "The {n} shifts from {start} to {end} no longer look humid; the plan for them is off."
AHEAD_TEXTS = (ONE_TITLE, ONE, SPELL_TITLE, SPELL, LONGER, ALSO, BY, OFF_TITLE, OFF, OFF_SPELL)


def say_ahead(
    shifts: Sequence[ShiftNow],
    todo: Sequence[ActionNow],
    wording: Wording,
    now_s: float,
    *,
    longer: bool = False,
    also: Sequence[tuple[float, float]] = (),
) -> Phrases:
    """The words for humid shifts in a row.

    `longer` says that the beginning of the spell was told before; `also` are later spells.
    """
    start, end = wording.time(shifts[0].start_s, now_s), wording.time(shifts[-1].end_s, now_s)
    odds = max(
        (shift.probability_frac for shift in shifts if shift.probability_frac is not None), default=None
    )
    several = len(shifts) > 1
    head = LONGER if longer else SPELL if several else ONE
    said = wording.text(head).format(
        name=shifts[0].name,
        start=start,
        end=end,
        n=len(shifts),
        odds="?" if odds is None else odds_text(odds),
    )
    title = wording.text(SPELL_TITLE if several or longer else ONE_TITLE).format(start=start, end=end)
    later = " ".join(
        wording.text(ALSO).format(start=wording.time(start_s, now_s), end=wording.time(end_s, now_s))
        for start_s, end_s in also
    )
    first = _first(todo, wording, now_s)
    return Phrases(
        plain(title), _fitted(said, [wording.say(why) for why in _shorter(shifts[0].reason)], first, later)
    )


def say_called_off(shifts: Sequence[ShiftNow], wording: Wording, now_s: float) -> Phrases:
    """The words for shifts that were told of and no longer look humid."""
    text = wording.text(OFF if len(shifts) == 1 else OFF_SPELL).format(
        name=shifts[0].name.capitalize(),
        start=wording.time(shifts[0].start_s, now_s),
        end=wording.time(shifts[-1].end_s, now_s),
        n=len(shifts),
    )
    return Phrases(wording.text(OFF_TITLE), plain(text)[:LONGEST])


def _first(todo: Sequence[ActionNow], wording: Wording, now_s: float) -> str:
    """The first thing to do, with its time unless it names it itself."""
    first = min((one for one in todo if one.by_s > now_s), key=lambda one: one.by_s, default=None)
    if first is None:
        return ""
    by, do = wording.time(first.by_s, now_s), wording.say(first.text.rstrip("."))
    return f"{do}." if by in do else wording.text(BY).format(by=by, do=f"{do}.")


def _fitted(head: str, reasons: Sequence[str], do: str, later: str) -> str:
    """The fullest wording that fits: the reason gives way before later spells, those before the deed."""
    heads = (*(f"{head}: {why}." for why in reasons), f"{head}.")
    for rest in (f"{do} {later}".strip(), do):
        for start in heads:
            text = plain(f"{start} {rest}".strip())
            if len(text) <= LONGEST:
                return text
    return plain(f"{head}.")[:LONGEST]


def _shorter(reason: str) -> Iterator[str]:
    """A reason, then without when it is worst, then only what stands after its colon.

    How near steel is to its dew point stays beside its temperature, which alone would say nothing.
    """
    if not reason:
        return
    clauses = reason.split(", ")
    told = ", ".join(clauses[:-1]) if len(clauses) > 1 else reason
    humid = [clauses[0].rpartition(": ")[2]] if "%" in clauses[0] else []
    yield from dict.fromkeys((reason, told, told.rpartition(": ")[2], *humid))
