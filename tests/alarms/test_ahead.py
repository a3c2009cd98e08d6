"""Humid shifts ahead and the daily word, as they stand on a lock screen."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.daily import Day, Sight, proof_words, say_day
from monitor.alarms.messages import LONGEST
from monitor.alarms.outlook_words import say_ahead, say_called_off
from monitor.alarms.wording import Phrases
from monitor.model.level import Level
from monitor.model.picture import ActionNow, ShiftNow
from monitor.settings.language import languages, translator
from monitor.settings.sentences import sentences
from tests.alarms.shop import wording

HOUR_S = 3600.0
NOW_S = datetime(2026, 9, 7, 9, 6, tzinfo=ZoneInfo("Europe/London")).timestamp()  # a Monday
TUE_S = NOW_S + 20.9 * HOUR_S
REASON = "wet air from outside from 02:00: dew point 13 °C over CO₂ 6 at 14 °C, worst 06:00"
HEAT = ActionNow("heat", "Heat Panel Hall to 15 °C from Tue 04:00", TUE_S - 2 * HOUR_S, None)
DOOR = ActionNow("door", "Keep the Slip Bay door shut until Tue 21:00", TUE_S + HOUR_S, None)


def shift(name: str, start_s: float, odds: float | None, reason: str = REASON) -> ShiftNow:
    return ShiftNow(name, "ferrymoor", start_s, start_s + 8 * HOUR_S, Level.CAUTION, odds, reason)


def shifts(count: int, odds: float | None = 0.9, reason: str = REASON) -> list[ShiftNow]:
    starts = [TUE_S + (n // 2 * 24 + n % 2 * 8) * HOUR_S for n in range(count)]
    names = ("early", "late")
    return [shift(names[n % 2], s, odds, reason) for n, s in enumerate(starts)]


def test_one_humid_shift_as_a_lead_reads_it() -> None:
    words = say_ahead(
        shifts(1, reason="dew point 8 °C over Mixed gas 1 at 9 °C"), [DOOR, HEAT], wording(), NOW_S
    )
    assert words == Phrases(
        "Humid shift Tue 06:00",
        "Humid early shift Tue 06:00, chance 90%: dew point 8 C over Mixed gas 1 at 9 C. "
        "Heat Panel Hall to 15 C from Tue 04:00.",
    )


def test_a_spell_is_one_warning_that_names_its_end() -> None:
    words = say_ahead(shifts(3), [DOOR], wording(), NOW_S)
    assert words == Phrases(
        "Humid until Wed 14:00",
        "Humid spell Tue 06:00 to Wed 14:00, 3 shifts, chance up to 90%: dew point 13 C over CO2 6 at 14 C. "
        "By Tue 07:00: Keep the Slip Bay door shut until Tue 21:00.",
    )


def test_a_spell_that_lasts_longer_says_only_until_when() -> None:
    words = say_ahead(shifts(2), [], wording(), NOW_S, longer=True)
    assert words.text.startswith("Humid spell lasts to Tue 22:00, chance up to 90%: wet air from outside")


def test_what_lies_ahead_is_never_certain_and_unknown_odds_are_not_made_up() -> None:
    assert "chance >99%" in say_ahead(shifts(1, 1.0), [], wording(), NOW_S).text
    assert "chance ?" in say_ahead(shifts(1, None), [], wording(), NOW_S).text


def test_a_deed_whose_time_has_passed_is_not_asked_for() -> None:
    late = say_ahead(shifts(1), [HEAT, DOOR], wording(), HEAT.by_s + 60.0)
    assert "Heat" not in late.text
    assert "Keep the Slip Bay door shut" in late.text


def test_a_later_spell_is_named_where_there_is_room() -> None:
    also = [(TUE_S + 60 * HOUR_S, TUE_S + 68 * HOUR_S)]
    assert say_ahead(shifts(1, reason=""), [HEAT], wording(), NOW_S, also=also).text == (
        "Humid early shift Tue 06:00, chance 90%. Heat Panel Hall to 15 C from Tue 04:00. "
        "Then Thu 18:00 to Fri 02:00."
    )


def test_called_off() -> None:
    assert say_called_off(shifts(1), wording(), NOW_S).text == (
        "Early shift Tue 06:00 no longer looks humid; the plan for it is off."
    )
    assert (
        "The 3 shifts from Tue 06:00 to Wed 14:00 no longer"
        in say_called_off(shifts(3), wording(), NOW_S).text
    )


@pytest.mark.parametrize("language", ["de", "es"])
def test_a_message_of_a_shift_ahead_holds_no_sentence_of_another_language(language: str) -> None:
    said = sentences(language)
    assert said is not None
    spoken = wording(translator=translator(language), say=said.say)
    reason = "steel colder than the air: Mix 1 at 13 °C, 3 °C above the dew point, worst 05:00"
    todo = [ActionNow("door", "Keep the Slip Bay door shut until 09:00", NOW_S + 60.0, None)]
    words = say_ahead(shifts(1, reason=reason), todo, spoken, NOW_S)
    for left in ("steel", "colder", "above", "Keep", "door", "worst", "until", "chance", " at "):
        assert left not in words.text, words.text
    assert {"de": "Taupunkt", "es": "punto de rocio"}[language] in words.text


names = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "Zs")), max_size=200)


@given(names, names, st.integers(1, 6), st.booleans(), st.sampled_from(languages()))
def test_however_long_the_reason_and_the_deed_it_fits(
    reason: str, deed: str, count: int, longer: bool, language: str
) -> None:
    spoken = wording(translator=translator(language))
    todo = [ActionNow("deed", deed, NOW_S + 60.0, None)]
    words = say_ahead(shifts(count, reason=reason), todo, spoken, NOW_S, longer=longer, also=[(NOW_S, NOW_S)])
    assert 0 < len(words.text) <= LONGEST
    assert 0 < len(say_called_off(shifts(count), spoken, NOW_S).text) <= LONGEST


WELL = Day(NOW_S, 7, (), 0, 16, 0, Sight.DRY)


def test_all_well_in_the_morning() -> None:
    assert say_day(WELL, wording()) == Phrases(
        "All well",
        "All well at 09:06: 7 zones in order. All 16 sensors report. No humid shift in sight.",
    )


def test_what_stands_comes_first_and_what_is_minor_goes_where_the_proof_needs_the_room() -> None:
    day = WELL._replace(
        stands=("Wet: 18", "Store is humid: Wire Store"),
        notes=2,
        sight=Sight.HUMID,
        humid=shift("late", NOW_S + 5 * HOUR_S, 0.8),
    )
    assert say_day(day, wording()) == Phrases(
        "Open: 2",
        "Open at 09:06: Wet: 18; Store is humid: Wire Store. All 16 sensors report. "
        "Next humid shift: late 14:06, chance 80%.",
    )


def test_what_is_not_known_and_the_humid_shift_outlast_that_all_sensors_report() -> None:
    humid = shift("early", NOW_S + 5 * HOUR_S, 0.65)
    day = WELL._replace(stands=("Close to sweating: 6",), unknown=3, sight=Sight.HUMID, humid=humid)
    assert say_day(day, wording()).text == (
        "Open at 09:06: Close to sweating: 6. Not known: 3, see the page. "
        "Next humid shift: early 14:06, chance 65%."
    )


def test_a_sensor_that_is_not_believed_is_not_all_well() -> None:
    words = say_day(WELL._replace(sensors_bad=2), wording())
    assert words.title == "Not believed: 2 of 16 sensors"
    assert words.text.startswith("Nothing open at 09:06. Not believed: 2 of 16 sensors.")


@pytest.mark.parametrize(
    ("sight", "said"),
    [
        (Sight.UNKNOWN, "No forecast for the coming shifts."),
        (Sight.NO_SHIFT, "No other shift within two days."),
    ],
)
def test_what_is_not_known_of_the_coming_shifts_is_said(sight: Sight, said: str) -> None:
    assert said in say_day(WELL._replace(sight=sight), wording()).text


@given(st.lists(names, min_size=0, max_size=12), st.sampled_from(languages()))
def test_however_much_stands_it_fits(stands: list[str], language: str) -> None:
    spoken = wording(translator=translator(language))
    words = say_day(WELL._replace(stands=tuple(stands), notes=3), spoken)
    assert len(words.text) > 0
    assert len(f"{words.text} {proof_words(spoken, '9999999:0123456789abcdef')}") <= LONGEST
