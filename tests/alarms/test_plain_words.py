"""Sentences as a lead would say them: the composed ones, in a small shop at a bridge and not in the demo."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.authority import authority_from, refusal
from monitor.alarms.catalogue import Shows
from monitor.alarms.conditions import Condition, ConditionSubject, condition
from monitor.alarms.daily import AHEAD_UNKNOWN
from monitor.alarms.messages import LONGEST, compose, say
from monitor.alarms.states import CommandKind
from monitor.alarms.wording import Wording
from monitor.consumables.classes import ConsumableKind
from monitor.model.actor import Actor, KnownBy
from monitor.settings.language import translator
from monitor.settings.reference import load_toml
from tests.alarms.shop import START_S, catalogue
from tests.alarms.test_messages import announced

NAMES = {
    "span": "Span Tent",
    "kiosk": "Wire Kiosk",
    "welder-12": "Wire feeder at the northern abutment of the old road bridge number 12",
    "spool-a": "Spool A",
}
BRIDGE = Wording(catalogue(), ZoneInfo("America/New_York"), NAMES)


def watched(kind: str, subject: str, zone: str, sort: str = "") -> Condition:
    return condition(catalogue(), kind, ConditionSubject(subject, zone, "bridge", sort))


@pytest.mark.parametrize(
    ("rate_k", "said"),
    [
        (0.7, "rising by 0.7 degrees an hour"),
        (-0.7, "falling by 0.7 degrees an hour"),
        (0.02, "no longer rising"),
        (-0.04, "no longer rising"),
    ],
)
def test_a_rate_says_its_direction_in_a_word_and_has_no_sign(rate_k: float, said: str) -> None:
    cause = announced(watched("zone_dew_point_rising", "span", "span")).cause
    text = say(replace(cause, value=rate_k), BRIDGE, START_S).text
    assert text == f"Span Tent: dew point {said} since 04:53."
    assert BRIDGE.value(Shows.RATE, rate_k) == said


@pytest.mark.parametrize(("count", "said"), [(1.0, "1 warning"), (3.0, "3 warnings")])
def test_warnings_without_an_answer_are_counted_with_their_plural(count: float, said: str) -> None:
    cause = announced(watched("warnings_undeliverable", "service", "")).cause
    assert say(replace(cause, value=count), BRIDGE, START_S).text == f"{said} unanswered since 04:53."


def test_a_long_name_is_cut_before_its_number() -> None:
    for length in (60, 32, 24, 16, 12, 8):
        name = BRIDGE.name("welder-12", length)
        assert len(name) <= length
        assert name.endswith("..12")
    assert BRIDGE.name("spool-a", 6) == "Spoo.."
    numbered = replace(BRIDGE, names={f"m-{n}": f"Mixed gas of the northern abutment {n}" for n in range(9)})
    alarms = [watched("body_wet", f"m-{n}", "span", "cylinder") for n in range(2)]
    text = compose(announced(*alarms), numbered).text
    assert len(text) <= LONGEST


def test_a_shop_without_seismic_work_gets_no_word_about_it_and_the_same_alarm() -> None:
    sorts = (str(ConsumableKind.CORED_WIRE), "cored wire, no seismic work")
    one, other = (watched("package_exposure_over", "spool-a", "kiosk", sort) for sort in sorts)
    assert (one.limit, one.priority) == (other.limit, other.priority)
    quiet, loud = (compose(announced(each), BRIDGE).text for each in (other, one))
    assert "seismic" in loud
    assert quiet == (
        "Spool A, Wire Kiosk: permitted hours used up since 04:53. "
        "Run off the outer wraps, weld a test bead, ask the inspector."
    )
    for language in ("en", "de"):
        spoken = replace(BRIDGE, translator=translator(language))
        note = compose(announced(other), spoken)
        for text in (note.title, note.text, note.action):
            assert "seismic" not in text.lower()
            assert "erdbeben" not in text.lower()


def test_words_of_the_forecast_and_of_a_refusal_are_grammar_and_no_riddle() -> None:
    assert AHEAD_UNKNOWN == "No forecast for the coming shifts."
    authority = authority_from(load_toml("alarm_authority.toml"))
    for role, article in (("inspector", "an"), ("reviewer", "a")):
        actor = Actor("Sam", KnownBy.TYPED, (role,))
        assert str(refusal(authority, actor, CommandKind.SHELVE)).startswith(f"{article} {role} may not")
