"""A recorded check of a sensor counts as its calibration: in its health, over restarts, until taken back."""

from pathlib import Path

from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.sensor import SensorStatus
from monitor.physics.calibration import salts_from_mapping
from monitor.report.sources import Sources
from monitor.report.week_sheet import week_sheet
from monitor.sensors.salt_check import Instrument, SaltReading, body_of_check, check_rules, checked
from monitor.settings.reference import load_toml
from tests.bookkeeper.yard import HOUR, LEAD, START_S, Yard, yard_settings

DATA = load_toml("salts.toml")
SENSOR = "slip-bay-1"


def overdue_yard(folder: Path) -> Yard:
    """A yard whose bay sensor was calibrated too long ago."""
    plain = yard_settings(folder).model_dump(mode="json", exclude_none=True)
    for sensor in plain["sensors"]:
        if sensor["id"] == SENSOR:
            sensor["calibrated_on"] = "2025-01-10"
    return Yard(folder, type(yard_settings(folder)).model_validate(plain))


def enter_check(yard: Yard, indicated: float = 0.76, key: str = "check/1") -> Event:
    """A check over sodium chloride at 25 degC, now."""
    wall = Instrument(1.0, 0.0, 365, 0.02, 0.04, 0.2, 0.8)
    reading = SaltReading("sodium_chloride", 25.0, indicated, yard.fed_s)
    made = checked([reading], salts_from_mapping(DATA), check_rules(DATA), wall)
    event = NewEvent(
        EventKind.SENSOR_CHECK, SENSOR, yard.fed_s, LEAD, body_of_check(made), "yearly round", key
    )
    return yard.keeper.record(event, yard.fed_s)


def health(yard: Yard) -> tuple[SensorStatus, str]:
    zone = next(one for one in yard.loop.snapshot().zones if one.id == "slip-bay")
    found = next(one for one in zone.sensors if one.sensor == SENSOR)
    return found.status, found.reason


def test_a_check_clears_an_overdue_calibration_and_taking_it_back_brings_it_again(tmp_path: Path) -> None:
    yard = overdue_yard(tmp_path)
    yard.run_to(START_S + HOUR)
    assert health(yard) == (SensorStatus.MAINTENANCE_REQUIRED, "calibration is due")
    event = enter_check(yard)
    assert enter_check(yard).number == event.number
    yard.run_to(START_S + 1.2 * HOUR)
    assert health(yard)[0] is SensorStatus.GOOD
    yard.restart(clean=True)
    yard.run_to(START_S + 1.5 * HOUR)
    assert health(yard)[0] is SensorStatus.GOOD
    changes = yard.ledger.events(kinds=[EventKind.SENSOR_STATUS], subject=SENSOR)
    yard.correct(event, void=True)
    yard.run_to(START_S + 1.7 * HOUR)
    assert health(yard)[0] is SensorStatus.MAINTENANCE_REQUIRED
    assert len(yard.ledger.events(kinds=[EventKind.SENSOR_STATUS], subject=SENSOR)) == len(changes) + 1
    yard.close()


def test_a_sensor_beyond_use_is_due_whatever_the_settings_say(yard: Yard) -> None:
    yard.run_to(START_S + HOUR)
    assert health(yard)[0] is SensorStatus.GOOD
    enter_check(yard, 0.95)
    yard.run_to(START_S + 1.2 * HOUR)
    assert health(yard) == (SensorStatus.MAINTENANCE_REQUIRED, "calibration is due")


def test_the_weeks_record_tells_of_a_check_and_of_its_taking_back(yard: Yard) -> None:
    yard.run_to(START_S + HOUR)
    enter_check(yard)
    slip = enter_check(yard, 0.70, "check/2")
    yard.correct(slip, void=True)
    yard.run_to(START_S + 1.1 * HOUR)
    sources = Sources(yard.settings, yard.ledger, yard.series, yard.keeper.recall(), yard.fed_s)
    section = week_sheet(sources, "ferrymoor", "2026-W37").section("instruments")
    good, void = [row for row in section.rows if row[2] == "sensor check"]
    assert good[1:4] == (SENSOR, "sensor check", "good")
    assert good[4] == (
        "good: reads 0.7 %RH high at 75 %RH, within its ±2.0 %RH; "
        f"next check due 2027-09-09 02:00:00+01:00; by {LEAD}; yearly round"
    )
    assert void[3] == "off (taken back)"
