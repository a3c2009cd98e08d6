"""Humid shifts that follow each other are one spell, and a spell is told once a day."""

from monitor.core.humid_spells import spells, told_now
from monitor.model.level import Level
from monitor.model.picture import ShiftNow
from monitor.outlook.telling import telling_from
from monitor.settings.reference import load_toml

HOUR_S = 3600.0
LIMIT = 0.5
TELLING = telling_from(load_toml("outlook.toml"))
NOBODY: frozenset[str] = frozenset()


def shift(day: int, hour: int, odds: float | None, *, warned: bool = False, site: str = "yard") -> ShiftNow:
    start_s = (24.0 * day + hour) * HOUR_S
    return ShiftNow(
        name="early" if hour < 12 else "late",
        site=site,
        start_s=start_s,
        end_s=start_s + 8 * HOUR_S,
        level=Level.CAUTION,
        probability_frac=odds,
        reason="",
        id=f"{site}:{day}:{hour}",
        warned=warned,
    )


def ids(runs: list[list[ShiftNow]]) -> list[list[str]]:
    return [[one.id for one in run] for run in runs]


def test_a_free_night_does_not_end_a_spell_but_a_dry_shift_and_a_weekend_do() -> None:
    week = [
        shift(0, 6, 0.9),
        shift(0, 14, 0.9),
        shift(1, 6, 0.9),
        shift(1, 14, 0.2),
        shift(2, 6, 0.9),
        shift(5, 6, 0.9),
        shift(6, 6, None),
    ]
    assert ids(list(spells(week, LIMIT, NOBODY, TELLING))) == [
        ["yard:0:6", "yard:0:14", "yard:1:6"],
        ["yard:2:6"],
        ["yard:5:6"],
    ]


def test_sites_have_spells_of_their_own() -> None:
    both = [shift(0, 6, 0.9), shift(0, 14, 0.9, site="works"), shift(0, 14, 0.9)]
    assert ids(list(spells(both, LIMIT, NOBODY, TELLING))) == [["works:0:14"], ["yard:0:6", "yard:0:14"]]


def test_a_shift_that_stands_belongs_to_its_spell_though_its_odds_wander() -> None:
    week = [shift(0, 6, 0.9), shift(0, 14, 0.45), shift(1, 6, 0.9)]
    assert ids(list(spells(week, LIMIT, frozenset({"yard:0:14"}), TELLING))) == [
        ["yard:0:6", "yard:0:14", "yard:1:6"]
    ]


def test_the_first_warning_takes_the_whole_spell_with_it() -> None:
    spell = [shift(1, 6, 0.9, warned=True), shift(1, 14, 0.7), shift(2, 6, 0.6)]
    week = [*spell, shift(2, 14, 0.1), shift(3, 6, 0.9)]
    assert told_now(week, LIMIT, NOBODY, TELLING, 0.0) == {"yard:1:6", "yard:1:14", "yard:2:6"}


def test_a_spell_begins_with_a_shift_that_is_warned_of_or_likely_not_with_one_that_may_come() -> None:
    week = [
        shift(0, 14, 0.3),
        shift(1, 6, 0.9, warned=True),
        shift(1, 14, 0.4),
        shift(2, 6, 0.3, warned=True),
    ]
    assert told_now(week, 0.2, NOBODY, TELLING, 0.0) == {"yard:1:6", "yard:2:6"}


def test_without_a_warning_nothing_is_told_however_high_the_odds() -> None:
    assert told_now([shift(1, 6, 0.99)], LIMIT, NOBODY, TELLING, 0.0) == NOBODY


def test_more_at_the_far_end_waits_until_it_is_a_day_away_and_then_comes_in_one() -> None:
    standing = frozenset({"yard:1:6", "yard:1:14"})
    week = [
        shift(1, 6, 0.9, warned=True),
        shift(1, 14, 0.9, warned=True),
        shift(2, 6, 0.9, warned=True),
        shift(2, 14, 0.9),
    ]
    assert told_now(week, LIMIT, standing, TELLING, 29.0 * HOUR_S) == standing
    assert told_now(week, LIMIT, standing, TELLING, 30.0 * HOUR_S) == {one.id for one in week}


def test_another_spell_is_told_at_once() -> None:
    standing = frozenset({"yard:1:6"})
    week = [shift(1, 6, 0.9, warned=True), shift(1, 14, 0.1), shift(2, 14, 0.9, warned=True)]
    assert told_now(week, LIMIT, standing, TELLING, 10.0 * HOUR_S) == {"yard:1:6", "yard:2:14"}
