"""What people read: short, plain, complete, in their language, units and time."""

import json
import re
from dataclasses import asdict, replace
from zoneinfo import ZoneInfo

import polib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.catalogue import Shows
from monitor.alarms.conditions import Condition, Observation
from monitor.alarms.grouping import Announcement, GroupBook, Why, regroup
from monitor.alarms.messages import LONGEST, compose, compose_answered, say
from monitor.alarms.states import AlarmState
from monitor.alarms.wording import Wording, plain
from monitor.model.errors import InputError
from monitor.settings.language import catalogue_file, languages, translator
from tests.alarms.catalogue_files import template, template_file
from tests.alarms.shop import START_S, advance, book_of, catalogue, watched, wording
from tests.alarms.texts import texts

# The basic character set of 3GPP TS 23.038 (formerly GSM 03.38): a text message in it holds 160.
GSM_7_BIT = set(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
SITE_WIDE = {
    "broker_away",
    "store_behind",
    "warnings_undeliverable",
    "record_contradicted",
    "humid_shift_ahead",
}
NUMBERS = {"by_s": START_S + 9000.0, "starts_s": START_S + 90_000.0}


def announced(*conditions: Condition, why: Why = Why.RAISED) -> Announcement:
    """The warning that these conditions make when they all hold."""
    plain = [replace(c, on_delay_s=0.0, off_delay_s=60.0) for c in conditions]
    book = book_of(*plain)
    sign = {"above": 1.0, "below": -1.0}
    seen = [
        Observation(c.id, c.limit + sign[c.direction] * (0.06 if abs(c.limit) <= 1.0 else 1.2), START_S)
        for c in plain
    ]
    book, moved = advance(book, [o._replace(numbers=NUMBERS) for o in seen], START_S)
    rules = replace(catalogue().grouping, gather_s=dict.fromkeys(catalogue().grouping.gather_s, 0.0))
    _, said = regroup(GroupBook(), moved, book, rules, START_S)
    return replace(said[0], why=why)


def every_warning() -> list[Announcement]:
    """One of each kind alone, and one of each family with several members."""
    made, families = [], {}
    for name, kind in catalogue().kinds.items():
        if name == "zone_unwatched":
            continue  # follows from others, added below
        zone = "" if name in SITE_WIDE else "gas-cage"
        for subject in ("argon-3", "deck-plate") if "cylinder" in kind.responses else ("argon-3",):
            lone = watched(name, subject, zone)
            made.append(announced(lone))
            families.setdefault(kind.family, lone)
    silent = announced(watched("sensor_health"))
    cause = replace(silent.cause, kind="zone_unwatched", response="zone_unwatched")
    made.append(replace(silent, cause=cause, members=(cause,)))
    for lone in families.values():
        if lone.zone:
            zones = ("slip-bay", "panel-hall", "plate-yard")
            many = [replace(lone, id=f"x.{n}", subject=f"argon-{n}", zone=z) for n, z in enumerate(zones)]
            made.append(announced(lone, *many))
    made.append(announced(*(watched("body_wet", f"argon-{n}") for n in range(5))))
    return [replace(a, why=why) for a in made for why in Why]


WARNINGS = every_warning()


def says_what_to_do(text: str, spoken: Wording) -> bool:
    """Whether one of the responses stands in it, whole."""
    responses = catalogue().responses.values()
    return any(plain(spoken.text(short)) in text for r in responses for short in (r.short, r.many) if short)


def german(**changes: object) -> Wording:
    return wording(translator=translator("de"), **changes)


@pytest.mark.parametrize("language", languages())
def test_every_message_fits_a_text_message_and_says_what_where_and_what_to_do(language: str) -> None:
    spoken = wording(translator=translator(language))
    for announcement in WARNINGS:
        note = compose(announcement, spoken)
        assert len(note.text) <= LONGEST, note.text
        assert set(note.text + note.title) <= GSM_7_BIT, set(note.text + note.title) - GSM_7_BIT
        assert "{" not in note.text
        assert "  " not in note.text
        if announcement.why is not Why.CLEARED:
            response = catalogue().responses
            assert says_what_to_do(note.text, spoken), note.text
            assert note.action in {spoken.text(r.full) for r in response.values()}
        assert note.expires_s > note.created_s
        json.dumps(asdict(note), allow_nan=False)


def test_every_message_fits_on_a_clock_of_twelve_hours_too() -> None:
    for announcement in WARNINGS:
        note = compose(announcement, wording(twelve=True))
        assert len(note.text) <= LONGEST, note.text
        assert set(note.text) <= GSM_7_BIT
        assert not re.search(r"\b(1[3-9]|2[0-3]|0\d):\d\d", note.text), note.text
        assert says_what_to_do(note.text, wording()) or announcement.why is Why.CLEARED


def test_one_message_as_a_lead_reads_it() -> None:
    note = compose(announced(watched("body_margin_low")), wording())
    assert note.text == (
        "Argon 3, Gas Cage: skin only 1.8 degrees above dew point since 09:53. "
        "Leave it capped, or let it warm by itself in drier air; never heat it."
    )
    assert (note.title, note.priority, note.zone) == ("Close to sweating", "medium", "gas-cage")


def test_a_fog_bank_as_a_lead_reads_it() -> None:
    zones = ["gas-cage", "slip-bay", "panel-hall", "plate-yard"]
    bodies = [watched("body_wet", f"argon-{n}", zones[n % 4]) for n in range(3, 8)]
    bodies += [watched("body_wet", f"deck-{n}", zones[n % 4]) for n in (8, 9)]
    close = [watched("body_margin_low", f"deck-{n}", zones[n % 4]) for n in range(4)]
    note = compose(announced(*bodies, *close), wording())
    assert note.title == "Wet"
    assert note.text == (
        "7 things wet in Plate Yard, Gas Cage, Slip Bay, Panel Hall since 09:53. "
        "Doors shut. No welding on wet steel; leave wet cylinders shut. 4 more on the page."
    )


def test_several_of_a_kind_get_the_advice_for_that_kind() -> None:
    close = [watched("body_margin_low", f"argon-{n}") for n in range(6)]
    assert compose(announced(*close), wording()).text == (
        "6 cylinders close to sweating in Gas Cage since 09:53. "
        "Leave them capped, or let them warm by themselves in drier air; never heat them."
    )


def test_an_overdue_wire_is_not_told_more_than_its_code_says() -> None:
    wire = watched("package_exposure_over", "wire-2", "slip-bay")
    assert compose(announced(wire), wording()).text == (
        "wire-2, Slip Bay: permitted hours used up since 09:53. "
        "Off seismic work. Run off the outer wraps, weld a test bead, ask the inspector."
    )


def test_wire_and_rods_over_their_time_together_get_the_stricter_advice() -> None:
    wire = watched("package_exposure_over", "wire-2", "slip-bay")
    rods = watched("package_exposure_over", "rods-7", "slip-bay")
    assert "Don't weld with them." in compose(announced(wire, rods), wording()).text


def test_an_alarm_that_is_over_says_so_on_the_page() -> None:
    cause = announced(watched("warnings_undeliverable", "service", "")).cause
    over = replace(cause, to_state=AlarmState.RETURNED, value=0.0)
    assert say(over, wording(), START_S).text == "Warnings get through again."


def test_the_odds_of_a_shift_are_never_certain_and_its_first_deed_has_its_own_time() -> None:
    cause = announced(watched("humid_shift_ahead", "early", "")).cause
    text = say(replace(cause, value=1.0), wording(), START_S).text
    assert "chance >99%" in text
    assert text.endswith("First thing to do by 12:23.")


def test_one_that_is_worse_than_the_others_is_named() -> None:
    over = watched("package_exposure_over", "rods-7", "slip-bay")
    due = [watched("package_exposure_due", f"rods-{n}", "slip-bay") for n in range(2)]
    note = compose(announced(over, *due), wording())
    assert note.text == (
        "rods-7, Slip Bay: permitted hours used up since 09:53. "
        "Don't weld with it. Mark it and set it aside for the lead. 2 more on the page."
    )
    assert note.title == "Hours used up"


def test_a_value_that_fell_back_within_the_dead_band_does_not_contradict_its_limit() -> None:
    humid = announced(watched("zone_humidity_high", "slip-bay", "slip-bay"))
    cause = replace(humid.cause, value=0.69)
    text = compose(replace(humid, cause=cause, news=(cause,), members=(cause,)), wording()).text
    assert text.startswith("Slip Bay: humidity over 70% since 09:53, now 69%.")


@pytest.mark.parametrize(
    ("kind", "subject", "zone", "says"),
    [
        ("body_wet", "argon-3", "gas-cage", "All clear: Argon 3, Gas Cage: dry by estimate. Feel it by hand"),
        ("storage_humid", "wire-store", "wire-store", "All clear: Wire Store: humidity below 60% again."),
        (
            "storage_below_minimum",
            "wire-store",
            "wire-store",
            "All clear: Wire Store is back at 120 C. The lead judges what lay in it, then resets the alarm.",
        ),
    ],
)
def test_an_all_clear_says_what_is_clear(kind: str, subject: str, zone: str, says: str) -> None:
    over = announced(watched(kind, subject, zone), why=Why.CLEARED)
    assert compose(over, wording()).text.startswith(says)


def test_signs_that_a_text_message_has_no_room_for_are_made_plain() -> None:
    named = wording(names={"argon-3": "CO₂ 6 – “new”", "gas-cage": "Gas Cage"})
    assert compose(announced(watched()), named).text.startswith('CO2 6 - "new", Gas Cage: skin')


def test_the_same_in_german() -> None:
    note = compose(announced(watched("body_margin_low")), german())
    assert note.text == (
        "Argon 3, Gas Cage: nur 1,8 Grad über dem Taupunkt seit 09:53. "
        "Kappe drauf lassen oder in trockenerer Luft von selbst warm werden lassen; nie heizen."
    )


names = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "Zs")), min_size=1, max_size=200)


@given(names, names, st.sampled_from(WARNINGS))
def test_no_name_however_long_breaks_a_message(first: str, second: str, announcement: Announcement) -> None:
    named = {**dict.fromkeys(("argon-3", "deck-plate", "argon-0", "argon-1"), first)}
    named |= dict.fromkeys(("gas-cage", "slip-bay", "panel-hall"), second)
    for spoken in (wording(names=named), german(names=named)):
        note = compose(announcement, spoken)
        assert 0 < len(note.text) <= LONGEST
        if announcement.why is not Why.CLEARED:
            assert says_what_to_do(note.text, spoken), note.text
        assert len(compose_answered(announcement, first, spoken).text) <= LONGEST


def test_temperatures_in_the_shops_unit() -> None:
    """Differences take the factor only: the error of a trade article quoted in the field (NACE 6A192)."""
    american = wording(temperature_unit="F")
    assert american.value(Shows.TEMPERATURE, 20.0) == "68.0 F"
    assert american.value(Shows.TEMPERATURE, 120.0) == "248 F"
    assert american.value(Shows.DIFFERENCE, 3.0) == "5.4 degrees"
    assert american.value(Shows.RATE, 4.0) == "rising by 7.2 degrees an hour"
    assert wording().value(Shows.TEMPERATURE, -3.25) == "-3.2 C"


@pytest.mark.parametrize(
    ("zone", "time_s", "now_s", "shown"),
    [
        ("Europe/London", START_S, START_S + 60.0, "09:53"),
        ("Europe/London", START_S, START_S + 86_400.0, "Thu 09:53"),
        ("America/New_York", START_S, START_S, "04:53"),
        # 2025-10-26: the hour from one to two comes twice
        ("Europe/London", 1_761_436_800.0, 1_761_440_400.0, "01:00"),
        ("Europe/London", 1_761_440_400.0, 1_761_440_400.0, "01:00"),
        ("Europe/London", 1_761_444_000.0, 1_761_444_000.0, "02:00"),
    ],
)
def test_times_are_on_the_shops_clock(zone: str, time_s: float, now_s: float, shown: str) -> None:
    assert wording(zone=ZoneInfo(zone)).time(time_s, now_s) == shown


def test_a_deadline_is_told_and_dropped_only_when_names_need_the_room() -> None:
    due = announced(watched("package_exposure_due", "rods-7", "slip-bay"))
    assert "Over at 12:23." in compose(due, wording()).text
    long = wording(names={"rods-7": "x" * 60, "slip-bay": "y" * 60})
    assert compose(due, long).text.endswith("in time.")


def test_the_key_is_the_warnings_own_and_the_link_can_name_the_warning() -> None:
    announcement = announced(watched("body_wet"))
    note = compose(announcement, wording())
    assert note.key == announcement.key
    assert note.subject == announcement.group_id
    assert note.data["conditions"] == ["body_wet.argon-3"]


def test_one_alarm_in_words_for_the_page() -> None:
    cause = announced(watched("package_exposure_due", "rods-7", "slip-bay")).cause
    said = say(cause, wording(), START_S)
    assert said.title == "Hours nearly used up"
    assert said.text == "rods-7, Slip Bay: 86% of its permitted hours used up. Over at 12:23."
    assert said.action.startswith("Use it up within the time left")


def test_the_template_holds_every_text_as_it_is_now() -> None:
    """Bring it up to date with `python -m tests.alarms.catalogue_files`."""
    assert template_file().read_text(encoding="utf-8").rstrip() == str(template()).rstrip()


@pytest.mark.parametrize("language", languages()[1:])
def test_a_language_is_complete_and_keeps_every_placeholder(language: str) -> None:
    translated = {e.msgid: e for e in polib.pofile(str(catalogue_file(language)))}
    for text in texts(catalogue()):
        entry = translated[text.msgid]
        assert entry.msgstr, text.msgid
        assert not entry.fuzzy, text.msgid
        placeholders = re.compile(r"{\w+}")
        assert sorted(placeholders.findall(entry.msgstr)) == sorted(placeholders.findall(entry.msgid))


def test_a_language_without_texts_is_refused_with_those_there_are() -> None:
    with pytest.raises(InputError, match=r"web.language: found 'xx'; has no texts; use one of en, de"):
        translator("xx")
