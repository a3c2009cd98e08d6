"""Warnings of things that people entered: raised, answered, and the same after a restart."""

from monitor.alarms.states import Command, CommandKind
from monitor.consumables.classes import Place
from monitor.core.step import Operate
from monitor.history.entries import DesiccantRenewed, Moved, Opened, StoreChecked, Withdrawn
from tests.bookkeeper.test_clocks import RODS
from tests.bookkeeper.yard import HOUR, LEAD, START_S, Yard


def states(yard: Yard, subject: str) -> dict[str, str]:
    alarms = yard.loop.snapshot().alarms
    return {
        one.condition.split("/")[0].split(".")[0]: one.state for one in alarms if subject in one.condition
    }


def acknowledge(yard: Yard, subject: str) -> None:
    for alarm in yard.loop.snapshot().alarms:
        if subject in alarm.condition:
            command = Command(CommandKind.ACKNOWLEDGE, alarm.condition, LEAD)
            yard.loop.put(Operate(command, yard.fed_s))


def test_an_answered_warning_of_an_entered_package_stays_answered_after_a_restart(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 600 + 4.2 * HOUR)
    assert set(states(yard, "rods-3").values()) == {"unacknowledged"}
    acknowledge(yard, "rods-3")
    before = states(yard, "rods-3")
    assert set(before.values()) == {"acknowledged"}
    for clean in (True, False):
        yard.restart(clean=clean)
        yard.run_to(yard.fed_s + 600)
        assert states(yard, "rods-3") == before


def test_a_withdrawn_package_warns_no_more(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 600 + 4.2 * HOUR)
    acknowledge(yard, "rods-3")
    withdrawn = yard.enter("rods-3", Withdrawn())
    yard.run_to(yard.fed_s + 600)
    assert states(yard, "rods-3") == {}
    yard.correct(withdrawn, void=True)
    yard.run_to(yard.fed_s + 600)
    assert "package_exposure_over" in states(yard, "rods-3")


def test_a_package_put_away_before_its_hours_are_used_up_is_no_warning(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 600 + 3.4 * HOUR)
    assert "package_exposure_due" in states(yard, "rods-3")
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    yard.run_to(yard.fed_s + 600)
    assert states(yard, "rods-3") == {}


def test_a_package_entered_late_warns_at_the_next_tick(yard: Yard) -> None:
    yard.run_to(START_S + 5 * HOUR)
    yard.enter("rods-3", RODS, START_S + 600)
    yard.run_to(yard.fed_s + 240)
    assert "package_exposure_over" in states(yard, "rods-3")


def test_a_package_that_was_never_opened_takes_its_warnings_along(yard: Yard) -> None:
    yard.run_to(START_S + 5 * HOUR)
    slip = yard.enter("rods-3", RODS, START_S + 600)
    yard.run_to(yard.fed_s + 240)
    yard.correct(slip, void=True)
    yard.run_to(yard.fed_s + 600)
    assert states(yard, "rods-3") == {}
    yard.restart()
    assert states(yard, "rods-3") == {}


def test_a_spool_that_goes_to_another_zone_keeps_its_warning(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 600 + 4.2 * HOUR)
    acknowledge(yard, "rods-3")
    yard.enter("rods-3", Moved(Place.OPEN_AIR, "slip-bay"))
    yard.run_to(yard.fed_s + 600)
    assert set(states(yard, "rods-3").values()) == {"acknowledged"}


def test_a_cold_oven_warns_and_a_hand_reading_does_not_silence_its_sensor(yard: Yard) -> None:
    yard.air["rod-oven"] = lambda t: (130.0 if t < START_S + 1200 else 95.0, None)
    yard.run_to(START_S + 2 * HOUR)
    assert "storage_below_minimum" in states(yard, "rod-oven")
    yard.enter("rod-oven", StoreChecked(150.0))
    yard.run_to(yard.fed_s + HOUR)
    assert "storage_below_minimum" in states(yard, "rod-oven")


def test_a_humid_cabinet_warns(yard: Yard) -> None:
    """Limit of this cabinet: 25 %RH in the shop's settings."""
    yard.air["dry-cabinet"] = lambda t: (24.0, 0.15 if t < START_S + 1200 else 0.45)
    yard.enter("spool-9", Opened("Spool 9", "fcaw-folded-h8", "slip-bay"), START_S)
    yard.run_to(START_S + 2 * HOUR)
    assert "storage_humid" in states(yard, "dry-cabinet")


def test_a_quiver_gone_cold_warns_only_while_rods_lie_in_it(yard: Yard) -> None:
    yard.air["quiver-1"] = lambda t: (130.0 if t < START_S + HOUR else 18.0, None)
    yard.run_to(START_S + 2 * HOUR)
    assert set(states(yard, "quiver-1").values()) <= {"suppressed_by_design"}
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Moved(Place.HEATED_QUIVER, "quiver-1"))
    yard.run_to(START_S + 3 * HOUR)
    assert states(yard, "quiver-1")["quiver_below_minimum"] == "unacknowledged"


def test_desiccant_past_its_day_is_a_low_alarm_until_it_is_renewed(yard: Yard) -> None:
    """This cabinet's desiccant lasts 30 days, as its settings say."""
    yard.run_to(START_S + 600)
    yard.enter("dry-cabinet", DesiccantRenewed(), START_S - 31 * 24 * HOUR)
    yard.run_to(START_S + 1800)
    (alarm,) = [one for one in yard.loop.snapshot().alarms if one.condition == "desiccant_due.dry-cabinet"]
    assert alarm.priority == "low"
    assert "Renew the desiccant, or regenerate it" in alarm.action
    yard.enter("dry-cabinet", DesiccantRenewed())
    yard.run_to(START_S + 3600)
    assert states(yard, "dry-cabinet").get("desiccant_due") in (None, "returned_unacknowledged")
