"""The written truth table of what must be warned of and what must not."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.conditions import Observation
from monitor.alarms.grouping import Announcement, GroupBook, Why, answer, regroup
from monitor.alarms.messages import compose
from monitor.alarms.states import AlarmBook, AlarmState, Command, CommandKind
from tests.alarms.shop import ANN, advance, book_of, catalogue, watched, wording

ROWS = tomllib.loads(Path(__file__).with_name("truth_table.toml").read_text(encoding="utf-8"))["rows"]
COMMANDS = {
    "acknowledge": CommandKind.ACKNOWLEDGE,
    "shelve": CommandKind.SHELVE,
    "reset": CommandKind.RESET,
    "out of service": CommandKind.TAKE_OUT_OF_SERVICE,
    "in service": CommandKind.RETURN_TO_SERVICE,
}
SITE_WIDE = {"service", "early-monday"}
RULES = catalogue().grouping


def played(row: dict[str, Any]) -> tuple[AlarmBook, str, list[Announcement]]:
    """What becomes of a row's condition."""
    zone = "" if row["subject"] in SITE_WIDE else "gas-cage"
    blind = watched("zone_unwatched", "gas-cage", "gas-cage")
    one = watched(row["kind"], row["subject"], zone, unwatched_id=blind.id if zone else None)
    book, groups = book_of(one, blind), GroupBook()
    said: list[Announcement] = []
    for value, *rest in row["observed"]:
        if value in COMMANDS:
            until_s = book.now_s + 3600.0 * rest[0] if rest else None
            command = Command(COMMANDS[value], one.id, ANN, "as the table says", until_s)
            book, moved = answer(groups, book, command, book.now_s)
            groups, more = regroup(groups, moved, book, RULES, book.now_s)
            said += more
            continue
        minutes, *facts = rest
        for _ in range(minutes):
            now_s = book.now_s + 60.0
            known = None if value == "?" else float(value)
            book, moved = advance(book, [Observation(one.id, known, now_s, "", tuple(facts))], now_s)
            groups, more = regroup(groups, moved, book, RULES, now_s)
            said += more
    # what is due within the next minutes is part of the row
    for minute in range(1, 6):
        groups, more = regroup(groups, (), book, RULES, book.now_s + 60.0 * minute)
        said += more
    return book, one.id, said


@pytest.mark.parametrize("row", ROWS, ids=[row["situation"] for row in ROWS])
def test_what_the_table_demands_is_the_case(row: dict[str, Any]) -> None:
    book, name, said = played(row)
    assert book.alarms[name].state == row["state"]
    assert [str(a.why) for a in said] == row["told"]
    tellings = [a for a in said if a.why is not Why.CLEARED]
    if tellings:
        note = compose(tellings[-1], wording())
        assert note.priority == row["priority"]
        assert row.get("says", "") in note.text


def test_the_table_covers_every_state_and_nearly_every_kind() -> None:
    assert {row["state"] for row in ROWS} >= {str(s) for s in AlarmState} - {
        "acknowledged",
        "latched_acknowledged",
    }
    missing = set(catalogue().kinds) - {row["kind"] for row in ROWS}
    assert missing <= {"zone_dew_point_rising", "zone_unwatched", "store_behind", "storage_humid"}
