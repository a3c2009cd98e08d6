"""A small corner of the Ferrymoor Slipway for the alarm tests: the catalogue and a few conditions."""

from collections.abc import Iterable
from dataclasses import replace
from zoneinfo import ZoneInfo

from monitor.alarms.catalogue import Catalogue, catalogue_from
from monitor.alarms.conditions import Condition, ConditionSubject, Observation, condition
from monitor.alarms.lifecycle import advanced, empty_book, with_conditions
from monitor.alarms.states import AlarmBook, Transition
from monitor.alarms.wording import Wording
from monitor.settings.reference import load_toml

START_S = 1_760_000_000.0  # 9 October 2025, 08:53:20 UTC
ANN, BEN, CLEO = "ann", "ben", "cleo"

NAMES = {
    "slip-bay": "Slip Bay",
    "panel-hall": "Panel Hall",
    "wire-store": "Wire Store",
    "gas-cage": "Gas Cage",
    "plate-yard": "Plate Yard",
    "argon-3": "Argon 3",
    "deck-plate": "Deck plate",
}


def catalogue() -> Catalogue:
    """The real catalogue of conditions."""
    return catalogue_from(load_toml("conditions.toml"))


def wording(**changes: object) -> Wording:
    """How the yard is spoken to."""
    return replace(Wording(catalogue(), ZoneInfo("Europe/London"), NAMES), **changes)  # type: ignore[arg-type]


def watched(
    kind: str = "body_margin_low", subject: str = "argon-3", zone: str = "gas-cage", **changes: object
) -> Condition:
    """A condition of the catalogue on something in the yard, with fields changed."""
    subject_kind = {"argon": "cylinder", "deck": "plate", "wire": "cored wire"}.get(
        subject.split("-")[0], "cylinder"
    )
    made = condition(catalogue(), kind, ConditionSubject(subject, zone, "ferrymoor", subject_kind))
    return replace(made, **changes)  # type: ignore[arg-type]


def advance(
    book: AlarmBook, observations: Iterable[Observation], now_s: float
) -> tuple[AlarmBook, tuple[Transition, ...]]:
    """The book at a time and every move made; every condition is looked at."""
    after, transitions, _ = advanced(book, observations, now_s)
    return after, transitions


def book_of(*conditions: Condition, now_s: float = START_S) -> AlarmBook:
    """A fresh book."""
    return with_conditions(empty_book(now_s), conditions, now_s)[0]


def held_for(
    book: AlarmBook, condition_id: str, value: float | None, seconds: float, *, every_s: float = 60.0
) -> tuple[AlarmBook, list[Transition]]:
    """The book after a value was observed again and again for a while."""
    transitions: list[Transition] = []
    end_s = book.now_s + seconds
    while book.now_s < end_s:
        now_s = min(book.now_s + every_s, end_s)
        book, moved = advance(book, [Observation(condition_id, value, now_s)], now_s)
        transitions += moved
    return book, transitions
