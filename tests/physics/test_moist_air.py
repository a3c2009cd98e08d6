"""Moist air against ASHRAE's tables, psychrolib and CoolProp, and the laws it must keep."""

import math
import re
from collections.abc import Callable

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import RangeError
from monitor.physics import moist_air as m
from monitor.physics import saturation as s
from monitor.physics.elementwise import FloatArray
from monitor.settings.reference import load_toml
from tests.physics.oracles_air import (
    enhancement_factor,
    enthalpy_jkg,
    specific_volume_m3kg,
    vapour_pressure_deficit_pa,
    vapour_pressure_from_humidity_ratio_pa,
)

SEA_PA = 101325.0
RecordCheck = Callable[..., None]
AIR = st.floats(-40.0, 60.0)
HUMIDITY = st.floats(0.01, 1.0)
PRESSURE = st.floats(6.0e4, 1.1e5)


# ASHRAE Handbook Fundamentals 2017, ch. 1, Table 2, printed to 4 to 5 figures. The table has the enhancement
# factor in it, so it is applied here; without it the ratio is 0.5 to 0.7 % lower.
@pytest.mark.parametrize(
    ("temperature_c", "ratio"), [(-20.0, 0.0006373), (5.0, 0.005425), (25.0, 0.020173), (50.0, 0.086863)]
)
def test_saturated_air_holds_what_the_ashrae_table_says(
    record_check: RecordCheck, temperature_c: float, ratio: float
) -> None:
    enhanced = s.saturation_pressure_pa(temperature_c) * enhancement_factor(temperature_c, SEA_PA)
    record_check(
        "humidity ratio of saturated air",
        worst=100.0 * abs(m.humidity_ratio_kgkg(enhanced, SEA_PA) / ratio - 1.0),
        bound=0.06,
        unit="%",
        source="ASHRAE Handbook Fundamentals 2017, ch. 1, Table 2",
    )


# ASHRAE 2017, ch. 1, Example 1: 40 degC dry, 20 degC wet bulb, 101.325 kPa, read off a chart: W 0.0065, dew
# point 7 degC, 14 %RH, 56.7 kJ/kg, 0.896 m3/kg. Chart readings, so half a step of the chart.
def test_air_of_the_ashrae_example_is_found_from_its_dry_and_wet_bulb(record_check: RecordCheck) -> None:
    low, high = 0.01, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if m.wet_bulb_c(40.0, middle, SEA_PA) < 20.0 else (low, middle)
    vapour = s.vapour_pressure_pa(40.0, high)
    ratio = m.humidity_ratio_kgkg(vapour, SEA_PA)
    for name, found, read, bound, unit in (
        ("humidity ratio", ratio, 0.0065, 0.0001, "kg/kg"),
        ("dew point", s.dew_point_c(vapour), 7.0, 0.5, "K"),
        ("relative humidity", high, 0.14, 0.005, "1"),
        ("enthalpy", enthalpy_jkg(40.0, ratio), 56700.0, 300.0, "J/kg"),
        ("specific volume", specific_volume_m3kg(40.0, ratio, SEA_PA), 0.896, 0.001, "m3/kg"),
    ):
        record_check(
            f"{name} from dry and wet bulb",
            worst=abs(found - read),
            bound=bound,
            unit=unit,
            source="ASHRAE Handbook Fundamentals 2017, ch. 1, Example 1 (chart)",
        )


# ASHRAE 2017, ch. 1, Table 1 (standard atmosphere), printed to 1 Pa; 1 Pa and the 5 digits of its constants.
@pytest.mark.parametrize(
    ("altitude_m", "pressure_pa"),
    [(-500.0, 107478), (0.0, 101325), (500.0, 95461), (1000.0, 89875), (4000.0, 61640)],
)
def test_station_pressure_is_the_standard_atmosphere(
    record_check: RecordCheck, altitude_m: float, pressure_pa: float
) -> None:
    record_check(
        "station pressure from altitude",
        worst=abs(m.station_pressure_pa(altitude_m) - pressure_pa),
        bound=2.0,
        unit="Pa",
        source="ASHRAE Handbook Fundamentals 2017, ch. 1, Table 1 (ISO 2533:1975)",
    )


# Greenspan 1976 was reprinted for the ITS-90 scale by B. Hardy (1998), whose coefficients in kelvin are other
# numbers for the same polynomials; CoolProp's factor follows from virial coefficients (Hyland and Wexler
# 1983). Greenspan gives his own accuracy as 0.05 % at 1 atm.
def test_enhancement_factor_follows_from_virial_coefficients(record_check: RecordCheck) -> None:
    worst = 0.0
    for t in np.arange(-20.0, 60.1, 5.0):
        ratio = HAPropsSI("W", "T", t + 273.15, "P", SEA_PA, "R", 1.0)
        over_surface = vapour_pressure_from_humidity_ratio_pa(ratio, SEA_PA) / s.saturation_pressure_pa(t)
        worst = max(worst, abs(enhancement_factor(float(t), SEA_PA) / over_surface - 1.0))
    record_check(
        "enhancement factor of air, -20 to 60 degC, 1 atm",
        worst=100.0 * worst,
        bound=0.05,
        unit="%",
        source="CoolProp humid air (virial equation)",
    )


AIR_GRID, HUMIDITY_GRID = (
    g.ravel() for g in np.meshgrid(np.arange(-40, 60.1, 4.0), np.linspace(0.01, 1.0, 34))
)


def one_bulb(
    found_c: FloatArray, temperature_c: FloatArray, ratio: FloatArray, pressure_pa: float
) -> FloatArray:
    """Where only one wick balances: in a narrow band a wet one above 0 degC and an iced one below it both do.

    There this project keeps the wet wick and the references take either.
    """
    at_freezing = 0.621945 * 611.2 / (pressure_pa - 611.2)
    iced_at_zero = (2830.0 * at_freezing - 1.006 * temperature_c) / (2830.0 + 1.86 * temperature_c)
    return (found_c < 0.01) | (ratio >= iced_at_zero)


def test_where_two_wicks_balance_the_note_says_how_far_apart(record_check: RecordCheck) -> None:
    """The bound is read from the note on the page Numbers; psychrolib and CoolProp take either wick."""
    notes = {row["about"]: row for row in load_toml("physics_notes.toml")["where_sources_disagree"]}
    said = re.match(r"up to ([\d.]+) K", notes["Wet bulb near freezing"]["by_how_much"])
    assert said is not None
    psychrolib.SetUnitSystem(psychrolib.SI)
    worst = 0.0
    for pressure_pa in (SEA_PA, 84556.0):
        for air_c in np.arange(0.5, 14.0, 0.25):
            for humidity in (0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8):
                found = m.wet_bulb_c(float(air_c), humidity, pressure_pa)
                ratio = float(m.humidity_ratio_kgkg(s.vapour_pressure_pa(air_c, humidity), pressure_pa))
                others = (
                    psychrolib.GetTWetBulbFromHumRatio(air_c, ratio, pressure_pa),
                    HAPropsSI("B", "T", air_c + 273.15, "R", humidity, "P", pressure_pa) - 273.15,
                )
                worst = max(worst, *(abs(found - other) for other in others))
    source = "psychrolib 2.5 and CoolProp, either wick"
    record_check("wet bulb near freezing", worst=worst, bound=float(said[1]), unit="K", source=source)
    assert worst > 0.7  # so the note is not far too wide either


# psychrolib 2.5 solves ASHRAE 2017 eqs. 33 and 35 to 0.001 K with its own saturation curve.
@pytest.mark.parametrize("pressure_pa", [SEA_PA, 84556.0])
def test_wet_bulb_is_psychrolibs(record_check: RecordCheck, pressure_pa: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    found = m.wet_bulb_c(AIR_GRID, HUMIDITY_GRID, pressure_pa)
    ratio = m.humidity_ratio_kgkg(s.vapour_pressure_pa(AIR_GRID, HUMIDITY_GRID), pressure_pa)
    kept = one_bulb(found, AIR_GRID, ratio, pressure_pa)
    expected = [
        psychrolib.GetTWetBulbFromHumRatio(t, w, pressure_pa)
        for t, w in zip(AIR_GRID[kept], ratio[kept], strict=True)
    ]
    record_check(
        "wet bulb, -40 to 60 degC, 1 to 100 %RH",
        worst=float(np.abs(found[kept] - np.array(expected)).max()),
        bound=0.05,
        unit="K",
        source="psychrolib 2.5 (ASHRAE 2017, eqs. 33 and 35)",
    )


class HumidAir:
    """CoolProp's humid air over -20 to 60 degC and 5 to 100 %RH; its humidity is over ice below freezing."""

    def __init__(self) -> None:
        temperature, humidity = (
            g.ravel() for g in np.meshgrid(np.arange(-20, 60.1, 4.0), np.r_[0.05, np.arange(0.1, 1.01, 0.1)])
        )
        over_surface = s.vapour_pressure_pa(temperature, humidity) / s.saturation_pressure_pa(temperature)
        known = over_surface <= 1.0
        self.temperature_c, self.humidity_frac = temperature[known], humidity[known]
        self._over_surface = over_surface[known]
        self.vapour_pa = s.vapour_pressure_pa(self.temperature_c, self.humidity_frac)
        self.enhanced_pa = self.vapour_pa * enhancement_factor(self.temperature_c, SEA_PA)

    def __call__(self, output: str) -> FloatArray:
        pairs = zip(self.temperature_c + 273.15, self._over_surface, strict=True)
        return np.array([HAPropsSI(output, "T", t, "P", SEA_PA, "R", rh) for t, rh in pairs])


@pytest.fixture(scope="module")
def humid_air() -> HumidAir:
    return HumidAir()


COOLPROP = "CoolProp humid air, -20 to 60 degC, 5 to 100 %RH, 1 atm"


# CoolProp applies the enhancement factor at the air's temperature and again at the dew point: where the two
# differ much (dry, hot air) its dew point is up to 0.025 K higher. With the same factors the two agree to
# 0.004 K.
def test_frost_points_are_coolprops(record_check: RecordCheck, humid_air: HumidAir) -> None:
    expected = humid_air("D") - 273.15
    found = s.frost_point_c(humid_air.vapour_pa)
    source = f"{COOLPROP}, which applies the enhancement factor at both temperatures"
    worst = float(np.abs(found - expected).max())
    record_check("frost point (dew point above 0 degC)", worst=worst, bound=0.03, unit="K", source=source)
    same = humid_air.enhanced_pa / enhancement_factor(found, SEA_PA)
    worst = float(np.abs(s.frost_point_c(same) - expected).max())
    record_check("frost point with enhancement factor", worst=worst, bound=0.01, unit="K", source=COOLPROP)


def test_humidity_ratios_are_coolprops(record_check: RecordCheck, humid_air: HumidAir) -> None:
    expected = humid_air("W")
    plain = m.humidity_ratio_kgkg(humid_air.vapour_pa, SEA_PA) / expected - 1.0
    enhanced = m.humidity_ratio_kgkg(humid_air.enhanced_pa, SEA_PA) / expected - 1.0
    record_check(
        "humidity ratio without enhancement factor",
        worst=100.0 * float(np.abs(plain).max()),
        bound=0.8,
        unit="%",
        source=COOLPROP,
    )
    record_check(
        "humidity ratio with enhancement factor",
        worst=100.0 * float(np.abs(enhanced).max()),
        bound=0.06,
        unit="%",
        source=COOLPROP,
    )


def test_wet_bulbs_are_coolprops(record_check: RecordCheck, humid_air: HumidAir) -> None:
    air, expected = humid_air.temperature_c, humid_air("B") - 273.15
    found = m.wet_bulb_c(air, humid_air.humidity_frac, SEA_PA)
    kept = one_bulb(found, air, m.humidity_ratio_kgkg(humid_air.vapour_pa, SEA_PA), SEA_PA)
    worst = float(np.abs(found - expected)[kept].max())
    record_check("wet bulb", worst=worst, bound=0.05, unit="K", source=COOLPROP)


def test_enthalpies_and_volumes_are_coolprops(record_check: RecordCheck, humid_air: HumidAir) -> None:
    ratio = humid_air("W")
    heat = np.abs(enthalpy_jkg(humid_air.temperature_c, ratio) - humid_air("H")).max()
    record_check("enthalpy", worst=float(heat), bound=700.0, unit="J/kg", source=COOLPROP)
    volume = specific_volume_m3kg(humid_air.temperature_c, ratio, SEA_PA) / humid_air("V") - 1.0
    worst = 100.0 * float(np.abs(volume).max())
    record_check("specific volume", worst=worst, bound=0.15, unit="%", source=COOLPROP)


def test_latent_heat_is_that_of_iapws_95(record_check: RecordCheck) -> None:
    worst = 0.0
    for t in np.linspace(0.02, 200.0, 60):
        steam, water = (PropsSI("H", "T", t + 273.15, "Q", q, "Water") for q in (1, 0))
        worst = max(worst, abs(m.latent_heat_jkg(float(t)) / (steam - water) - 1.0))
    record_check(
        "latent heat of vaporisation, 0 to 200 degC",
        worst=100.0 * worst,
        bound=0.03,
        unit="%",
        source="IAPWS R6-95 (IAPWS-95), by CoolProp",
    )


# Murphy and Koop 2005, eqs. (5) and (9), J/mol; the sources they rest on scatter by 0.1 % over ice and by
# about a per cent for supercooled water.
def test_latent_heats_below_freezing_are_those_of_murphy_and_koop(record_check: RecordCheck) -> None:
    kelvin = np.linspace(233.15, 273.15, 41)
    ice = 46782.5 + 35.8925 * kelvin - 0.07414 * kelvin**2 + 541.5 * np.exp(-((kelvin / 123.75) ** 2))
    water = 56579.0 - 42.212 * kelvin + np.exp(0.1149 * (281.6 - kelvin))
    for name, found, expected, bound in (
        ("latent heat of sublimation", m.latent_heat_sublimation_jkg(kelvin - 273.15), ice, 0.01),
        ("latent heat of supercooled water", m.latent_heat_jkg(kelvin - 273.15), water, 0.3),
    ):
        worst = 100.0 * float(np.abs(found * 0.01801528 / expected - 1.0).max())
        source = "Murphy and Koop 2005, eqs. (5) and (9), -40 to 0 degC"
        record_check(name, worst=worst, bound=bound, unit="%", source=source)


@given(AIR, HUMIDITY, PRESSURE)
def test_the_wet_bulb_lies_between_dew_point_and_air(
    temperature_c: float, humidity_frac: float, pressure_pa: float
) -> None:
    bulb = m.wet_bulb_c(temperature_c, humidity_frac, pressure_pa)
    assert s.dew_point_from_rh_c(temperature_c, humidity_frac) - 1e-5 <= bulb <= temperature_c + 1e-6


@given(st.floats(-60.0, 200.0), st.floats(0.0, 1.0), st.floats(2.0e4, 2.0e6))
def test_the_wet_bulb_balances_heat_wherever_it_is_defined(
    temperature_c: float, humidity_frac: float, pressure_pa: float
) -> None:
    vapour = s.vapour_pressure_pa(temperature_c, humidity_frac)
    if vapour >= 0.98 * pressure_pa:
        return
    bulb = m.wet_bulb_c(temperature_c, humidity_frac, pressure_pa)
    if bulb == temperature_c < 0.01:
        assert vapour >= s.saturation_pressure_pa(bulb) * (1.0 - 1e-9)
        return
    ratio = m.humidity_ratio_kgkg(vapour, pressure_pa)
    held = m.humidity_ratio_kgkg(s.saturation_pressure_pa(bulb), pressure_pa)
    latent, slope, wick = (2501.0, -2.326, 4.186) if bulb >= 0.01 else (2830.0, -0.24, 2.1)
    gain = (latent + slope * bulb) * held - 1.006 * (temperature_c - bulb)
    assert gain == pytest.approx(
        ratio * (latent + 1.86 * temperature_c - wick * bulb), rel=1e-9, abs=1e-6 * (1.0 + ratio)
    )


@given(AIR, st.floats(0.01, 0.99), PRESSURE)
def test_moister_air_has_a_higher_wet_bulb_and_a_smaller_deficit(
    temperature_c: float, humidity_frac: float, pressure_pa: float
) -> None:
    moister = humidity_frac + 0.01
    bulb = m.wet_bulb_c(temperature_c, humidity_frac, pressure_pa)
    assert m.wet_bulb_c(temperature_c, moister, pressure_pa) >= bulb - 1e-7
    deficit = vapour_pressure_deficit_pa(temperature_c, humidity_frac)
    assert vapour_pressure_deficit_pa(temperature_c, moister) < deficit


@given(AIR, HUMIDITY, PRESSURE)
def test_humidities_lead_back_to_where_they_came_from(
    temperature_c: float, humidity_frac: float, pressure_pa: float
) -> None:
    vapour = s.vapour_pressure_pa(temperature_c, humidity_frac)
    assert m.relative_humidity_frac(temperature_c, vapour) == pytest.approx(humidity_frac, rel=1e-12)
    ratio = m.humidity_ratio_kgkg(vapour, pressure_pa)
    assert vapour_pressure_from_humidity_ratio_pa(ratio, pressure_pa) == pytest.approx(vapour, rel=1e-12)
    lacking = vapour_pressure_deficit_pa(temperature_c, humidity_frac)
    assert lacking + vapour == pytest.approx(s.saturation_pressure_water_pa(temperature_c), rel=1e-12)


# Dry air's gas constant over water vapour's is the ratio of their molar masses: mass of vapour per volume
# over that of dry air per volume must be the humidity ratio.
@given(AIR, HUMIDITY, PRESSURE)
def test_absolute_humidity_is_humidity_ratio_over_volume(
    temperature_c: float, humidity_frac: float, pressure_pa: float
) -> None:
    vapour = s.vapour_pressure_pa(temperature_c, humidity_frac)
    ratio = m.humidity_ratio_kgkg(vapour, pressure_pa)
    volume = specific_volume_m3kg(temperature_c, ratio, pressure_pa)
    assert m.absolute_humidity_gm3(temperature_c, vapour) == pytest.approx(1000.0 * ratio / volume, rel=2e-5)


def test_arrays_give_what_floats_give() -> None:
    found = m.wet_bulb_c(AIR_GRID, HUMIDITY_GRID, SEA_PA)
    alone = [m.wet_bulb_c(float(t), float(rh), SEA_PA) for t, rh in zip(AIR_GRID, HUMIDITY_GRID, strict=True)]
    np.testing.assert_allclose(found, alone, rtol=0, atol=1e-7)


def test_missing_stays_missing_and_spoils_nothing() -> None:
    found = m.wet_bulb_c(np.array([20.0, np.nan, -5.0]), np.array([0.5, 0.5, 0.9]), SEA_PA)
    assert np.isnan(found).tolist() == [False, True, False]
    assert found[0] == m.wet_bulb_c(20.0, 0.5, SEA_PA)
    assert math.isnan(m.humidity_ratio_kgkg(math.nan, SEA_PA))


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: m.humidity_ratio_kgkg(1.1e5, SEA_PA), "vapour_pressure_pa: found 110000.0; valid is below"),
        (lambda: m.humidity_ratio_kgkg(-1.0, SEA_PA), "vapour_pressure_pa: found -1.0"),
        (lambda: m.wet_bulb_c(150.0, 0.5, SEA_PA), "vapour pressure of the air: found 23"),
        (lambda: m.wet_bulb_c(20.0, 50.0, SEA_PA), "relative_humidity_frac: found 50.0"),
        (lambda: m.wet_bulb_c(20.0, 0.5, 1013.25), "pressure_pa: found 1013.25"),
        (lambda: enhancement_factor(99.0, 6.0e4), "saturation pressure at temperature_c: found 97"),
        (lambda: m.station_pressure_pa(20000.0), "altitude_m: found 20000.0; valid is -1000 to 11000 m"),
        (lambda: m.latent_heat_jkg(-50.0), "temperature_c: found -50.0"),
        (lambda: m.latent_heat_sublimation_jkg(5.0), "temperature_c: found 5.0"),
        (lambda: enthalpy_jkg(20.0, -0.001), "humidity_ratio_kgkg: found -0.001"),
    ],
)
def test_a_number_outside_the_range_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(RangeError) as caught:
        call()
    assert str(caught.value).startswith(named)
