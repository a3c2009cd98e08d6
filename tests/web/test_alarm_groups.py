"""Alarms in groups: one fog bank is one card, and none is lost in it."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.catalogue import catalogue_from
from monitor.alarms.states import UNANSWERED, AlarmState
from monitor.model.picture import AlarmNow
from monitor.report.condition_words import AlarmWords
from monitor.settings.reference import load_toml
from monitor.web.frame.alarm_groups import groups
from monitor.web.frame.look import SET_APART
from tests.web import sample

WORDS = AlarmWords(catalogue_from(load_toml("conditions.toml")), {"mix-1": "Mix 1"})
KINDS = sorted(WORDS.catalogue.kinds)


def test_cylinders_of_one_cage_are_one_card() -> None:
    found = groups(sample.wet_morning().alarms, WORDS)
    assert [(g.first.zone, len(g.alarms), g.unanswered) for g in found] == [
        ("gas-cage", 3, True),
        ("slip-bay", 1, True),
        ("plate-yard", 1, False),
    ]


def test_kinds_of_one_family_share_a_card_and_the_worst_speaks() -> None:
    def alarm(kind: str, priority: str) -> AlarmNow:
        return AlarmNow(f"{kind}.mix-1", "unacknowledged", priority, kind, "", "gas-cage", 5.0, "")

    (group,) = groups([alarm("body_time_to_wet", "medium"), alarm("body_wet", "high")], WORDS)
    assert group.first.title == "body_wet"


def test_a_condition_unknown_here_stands_alone() -> None:
    odd = AlarmNow("fog-horn", "unacknowledged", "low", "Fog horn", "", "slip-bay", 1.0, "")
    assert [g.alarms for g in groups([odd], WORDS)] == [(odd,)]


@given(
    st.lists(
        st.builds(
            AlarmNow,
            condition=st.builds("{}.{}".format, st.sampled_from(KINDS), st.integers(0, 50)),
            state=st.sampled_from(list(AlarmState)).map(str),
            priority=st.sampled_from(["high", "medium", "low"]),
            title=st.just("t"),
            text=st.just("x"),
            zone=st.sampled_from(["a", "b", ""]),
            since_s=st.floats(0, 1e9),
            action=st.just(""),
        )
    )
)
def test_every_standing_alarm_is_in_exactly_one_group(alarms: list[AlarmNow]) -> None:
    found = [alarm for group in groups(alarms, WORDS) for alarm in group.alarms]
    standing = [a for a in alarms if a.state not in SET_APART and a.state != AlarmState.NORMAL]
    assert sorted(map(repr, found)) == sorted(map(repr, standing))
    for group in groups(alarms, WORDS):
        assert {a.state in UNANSWERED for a in group.alarms} == {group.unanswered}


def test_a_shift_is_called_by_name_and_time_long_after_it_is_over() -> None:
    called = WORDS.condition("humid_shift_ahead.yard:early-one:2026-09-09T06:00")
    assert called == "Humid shift ahead: early one Wed 9 Sep 06:00"


def test_what_concerns_the_service_is_said_by_its_title() -> None:
    assert WORDS.condition("warnings_undeliverable.service") == "Warnings do not get through"
