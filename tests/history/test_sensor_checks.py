"""What checks over saturated salts come to, against Greenspan's table and arithmetic done beside it."""

from dataclasses import replace

import pytest

from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind
from monitor.physics.calibration import salts_from_mapping
from monitor.sensors.salt_check import (
    DAY_S,
    CheckOutcome,
    DatedCheck,
    Instrument,
    SaltReading,
    SensorCheck,
    body_of_check,
    calibration_due_s,
    check_of,
    check_rules,
    checked,
    standing_checks,
    words_of,
)
from monitor.settings.reference import load_toml

DATA = load_toml("salts.toml")
SALTS, RULES = salts_from_mapping(DATA), check_rules(DATA)
WALL = Instrument(
    gain=1.0,
    offset=0.0,
    calibration_days=365,
    accuracy_frac=0.02,
    accuracy_outer_frac=0.04,
    inner_from_frac=0.20,
    inner_to_frac=0.80,
)
NACL, MGCL2 = "sodium_chloride", "magnesium_chloride"
YEAR_S = 365.25 * DAY_S


def over(
    indicated: float, salt: str = NACL, time_s: float = 0.0, celsius: float = 25.0, scatter: float = 0.0
) -> SaltReading:
    return SaltReading(salt, celsius, indicated, time_s, scatter)


def check(
    *readings: SaltReading, instrument: Instrument = WALL, before: SensorCheck | None = None
) -> SensorCheck:
    return checked(readings, SALTS, RULES, instrument, before)


# L. Greenspan, J. Res. NBS 81A (1977) 89, Table 2, at 25 degC: NaCl 75.29 +/- 0.12, MgCl2 32.78 +/- 0.16 %RH.
# The uncertainty by hand: 0.12/sqrt(3) = 0.069; 0.2 K x 5.96 %/K (slope of ln p at 25 degC) x 75.29 = 0.897;
# a display's 0.30; together 0.949 %RH.
def test_a_sensor_is_held_against_greenspans_table() -> None:
    found = check(over(0.7650))
    (point,) = found.points
    assert point.reference_frac == pytest.approx(0.7529, abs=1e-6)
    assert point.error_frac == pytest.approx(0.0121, abs=1e-6)
    assert point.std_frac == pytest.approx(0.00949, abs=2e-5)
    assert point.table_std_frac == pytest.approx(0.0012 / 3**0.5, rel=1e-6)
    assert found.correction.shift_frac == pytest.approx(-0.0121, abs=1e-6)
    assert found.outcome is CheckOutcome.GOOD
    assert not found.significant
    assert found.set_offset is None
    assert words_of(found) == "good: reads 1.2 %RH high at 75 %RH, within its ±2.0 %RH"


@pytest.mark.parametrize(
    ("indicated", "outcome"),
    [
        (0.7529 - 0.0199, CheckOutcome.GOOD),
        (0.7529 - 0.0250, CheckOutcome.OFF),
        (0.7529 + 0.0250, CheckOutcome.OFF),
        (0.7529 - 0.0999, CheckOutcome.OFF),
        (0.7529 - 0.1001, CheckOutcome.BEYOND_USE),
    ],
)
def test_the_error_decides_between_good_off_and_beyond_use(indicated: float, outcome: CheckOutcome) -> None:
    assert check(over(indicated)).outcome is outcome


def test_a_check_that_cannot_tell_says_so_and_stands_for_no_calibration() -> None:
    unsteady = check(over(0.7529 + 0.0250, scatter=0.02))
    assert unsteady.outcome is CheckOutcome.NOT_TOLD
    assert not unsteady.counts
    assert "check again in a steadier box" in words_of(unsteady)
    dated = [DatedCheck(1, 0.0, check(over(0.75))), DatedCheck(2, 9 * DAY_S, unsteady)]
    assert calibration_due_s(dated, None, 365) == 365 * DAY_S


def test_outside_the_inner_range_the_wider_accuracy_holds() -> None:
    assert check(over(0.8434 + 0.03, "potassium_chloride")).outcome is CheckOutcome.GOOD
    assert check(over(0.7529 + 0.03)).outcome is CheckOutcome.OFF


# Checked by putting the raw readings through the new gain and offset: both salts are met, or their mean is.
def test_the_new_setting_keeps_what_is_set_already_and_meets_the_salts() -> None:
    set_already = replace(WALL, gain=1.02, offset=0.01)
    one = check(over(0.7200), instrument=set_already)
    assert one.set_gain == pytest.approx(1.02)
    assert one.set_offset == pytest.approx(0.01 + 0.7529 - 0.7200)
    two = check(over(0.40, MGCL2), over(0.72), instrument=set_already)
    assert two.outcome is CheckOutcome.BEYOND_USE  # a slope a third off
    two = check(over(0.3500, MGCL2), over(0.7180), instrument=set_already)
    assert two.set_gain is not None
    assert two.set_offset is not None
    for point in two.points:
        raw = (point.indicated_frac - 0.01) / 1.02
        assert two.set_gain * raw + two.set_offset == pytest.approx(point.reference_frac, abs=1e-9)


def test_a_slope_that_two_salts_cannot_tell_is_left_alone() -> None:
    two = check(over(0.3278 - 0.030, MGCL2), over(0.7529 - 0.032))
    assert two.set_gain == 1.0
    # by hand: uncertainties of 0.501 and 0.949 %RH, so weights of 39 840 and 11 100
    assert two.set_offset == pytest.approx((0.030 * 39_840 + 0.032 * 11_100) / 50_940, abs=1e-5)


def test_a_drift_of_a_year_brings_the_next_check_forward() -> None:
    first = check(over(0.7529 + 0.000))
    later = check(over(0.7529 + 0.019, time_s=YEAR_S / 4), before=first)
    assert later.drift is not None
    assert later.drift.rate_per_year_frac == pytest.approx(4 * 0.019)
    assert later.drift.rate_per_year_std_frac == pytest.approx(
        4 * (2 * (0.00949**2 - 0.0012**2 / 3)) ** 0.5, rel=3e-3
    )
    assert not later.drift.significant  # 1.9 %RH against 2.6 %RH at 95 %
    assert later.drift_due_s is None
    assert later.due_s == later.calibration_due_s
    fast = check(over(0.7529 + 0.04, time_s=YEAR_S / 4), before=first)
    assert fast.outcome is CheckOutcome.OFF
    assert fast.drift is not None
    assert fast.drift.significant
    assert fast.drift_due_s is not None
    # set right, it has 2 %RH to lose at 16 %RH a year: 46 days at most
    assert 0 < fast.drift_due_s - YEAR_S / 4 < 46 * DAY_S
    assert fast.due_s == fast.drift_due_s


def test_a_new_offset_is_no_drift() -> None:
    first = check(over(0.7129))
    assert first.set_offset is not None
    put_right = replace(WALL, offset=first.set_offset)
    later = check(over(0.7529, time_s=YEAR_S), instrument=put_right, before=first)
    assert later.drift is not None
    assert later.drift.rate_per_year_frac == pytest.approx(0.0, abs=1e-9)


def test_no_drift_is_told_from_a_replaced_sensor_another_salt_or_the_same_week() -> None:
    first = check(over(0.75))
    assert check(over(0.76, time_s=7 * DAY_S), before=first).drift is None
    assert check(over(0.33, MGCL2, YEAR_S), before=first).drift is None
    assert check(over(0.76, time_s=YEAR_S), before=check(over(0.95))).drift is None


def test_a_sensor_beyond_use_is_due_at_once() -> None:
    found = check(over(0.95, time_s=5.0))
    assert found.due_s == 5.0
    assert words_of(found) == "beyond use: reads 19.7 %RH high at 75 %RH; replace it"


@pytest.mark.parametrize(
    ("reading", "named"),
    [
        (over(0.75, "table_salt"), "salt: found table_salt; use one of: lithium_chloride"),
        (over(0.75, celsius=41.0), "41.0 °C is outside this salt's table; check within 5.0 °C to 40.0 °C"),
        (over(1.01), "reading: found 101.0 %RH; 101.0 %RH cannot be; enter what it showed, from 0 to 100"),
    ],
)
def test_readings_that_cannot_be_are_named_with_their_fix(reading: SaltReading, named: str) -> None:
    with pytest.raises(InputError) as refusal:
        check(reading)
    assert named in str(refusal.value)


def test_the_same_salt_twice_and_no_salt_are_refused() -> None:
    with pytest.raises(InputError, match="given twice"):
        check(over(0.75), over(0.76))
    with pytest.raises(InputError, match="at least one salt"):
        check()


def test_a_check_comes_back_from_the_ledger_as_it_went_and_not_once_taken_back() -> None:
    made = check(over(0.3500, MGCL2), over(0.7180), before=check(over(0.75, time_s=-YEAR_S)))
    body = body_of_check(made)
    assert check_of(body) == made
    event = Event(7, EventKind.SENSOR_CHECK, "bay-1", 0.0, body)
    unread = Event(8, EventKind.SENSOR_CHECK, "bay-1", 1.0, {"points": "lost"})
    assert standing_checks([event, unread]) == [DatedCheck(7, 0.0, made)]
    void = Event(9, EventKind.CORRECTION, "bay-1", 2.0, {"of": 7, "void": True})
    assert standing_checks([event, void]) == []


def test_the_later_of_check_and_settings_says_when_calibration_is_due() -> None:
    checks = [DatedCheck(1, 100 * DAY_S, check(over(0.75, time_s=100 * DAY_S)))]
    assert calibration_due_s(checks, None, 365) == 465 * DAY_S
    assert calibration_due_s(checks, 50 * DAY_S, 365) == 465 * DAY_S
    assert calibration_due_s(checks, 200 * DAY_S, 365) == 565 * DAY_S
    assert calibration_due_s([], None, 365) is None


def test_damaged_rules_are_named() -> None:
    with pytest.raises(InputError, match=r"check.replace_gain.value: found None; give a number above zero"):
        check_rules({"check": {**DATA["check"], "replace_gain": {}}})
