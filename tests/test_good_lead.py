"""The demo's lead: answers after a while and once, leaves the last, and bags open wire."""

from dataclasses import replace

from monitor.alarms.states import Command, CommandKind
from monitor.consumables.classes import Place
from monitor.demo.good_lead import ANSWERS_AFTER_S, GoodLead
from monitor.history.entries import Entry, Moved
from monitor.model.picture import AlarmNow, Picture
from tests.web import sample

WET = AlarmNow("body_wet.m-1", "unacknowledged", "high", "Wet", "", "slip-bay", sample.NOW_S, "")


class Yard:
    """A picture that can be moved on, and what the lead did."""

    def __init__(self, *alarms: AlarmNow) -> None:
        self.picture: Picture = replace(sample.wet_morning(), alarms=alarms, time_s=sample.NOW_S)
        self.answered: list[Command] = []
        self.entered: list[tuple[str, Entry]] = []
        self.lead = GoodLead(
            lambda: self.picture,
            self.answered.append,
            lambda name, entry: self.entered.append((name, entry)),
            "Early lead",
            sample.NOW_S + 1.0,
        )

    def later(self, seconds: float) -> None:
        self.picture = replace(self.picture, time_s=sample.NOW_S + seconds)
        self.lead.look()


def test_a_warning_is_answered_after_a_while_and_each_occurrence_once() -> None:
    yard = Yard(WET)
    yard.later(ANSWERS_AFTER_S["high"] - 1.0)
    assert yard.answered == []
    yard.later(ANSWERS_AFTER_S["high"])
    yard.later(ANSWERS_AFTER_S["high"] + 60.0)
    assert yard.answered == [
        Command(CommandKind.ACKNOWLEDGE, "body_wet.m-1", "Early lead", began_s=sample.NOW_S)
    ]


def test_what_asks_again_in_the_morning_is_answered_again() -> None:
    """What was quiet overnight asks again with the moment at which it began."""
    yard = Yard(WET)
    yard.later(ANSWERS_AFTER_S["high"])
    yard.picture = replace(yard.picture, alarms=(replace(WET, state="suppressed_by_design"),))
    yard.later(2 * ANSWERS_AFTER_S["high"])
    yard.picture = replace(yard.picture, alarms=(WET,))
    yard.later(ANSWERS_AFTER_S["high"] + 60.0)
    assert len(yard.answered) == 1
    yard.later(2 * ANSWERS_AFTER_S["high"])
    assert [one.condition_id for one in yard.answered] == ["body_wet.m-1"] * 2


def test_what_began_last_is_left_and_nothing_is_answered_that_is_not_judged() -> None:
    late = Yard(replace(WET, since_s=sample.NOW_S + 2.0))
    late.later(7_200.0)
    assert late.answered == []
    blind = Yard(WET)
    blind.picture = replace(blind.picture, not_judged="no reading")
    blind.later(7_200.0)
    assert blind.answered == []


def test_an_open_package_is_bagged_with_new_desiccant_before_people_leave() -> None:
    shown = sample.wet_morning().packages[0]
    package = replace(shown, open_now=True, consumable="fcaw-folded-h8")
    rods = replace(shown, id="rods-9", open_now=True, consumable="e7018")
    alarm = replace(WET, condition=f"package_left_open.{package.id}", priority="medium")
    yard = Yard(alarm, replace(alarm, condition="package_left_open.rods-9"))
    yard.picture = replace(yard.picture, packages=(package, rods))
    yard.later(ANSWERS_AFTER_S["medium"])
    assert len(yard.answered) == 2
    assert yard.entered == [(package.id, Moved(Place.BAGGED, package.zone, fresh_desiccant=True))]
