"""Water and frost on a surface: against the saturation curves, CoolProp and the conservation of heat."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import RangeError
from monitor.physics.film import (
    HEAT_OF_FUSION_JG,
    LEWIS_NUMBER,
    change_phase,
    latent_heat_jg,
    surface_saturation_pa,
)
from monitor.physics.saturation import saturation_pressure_pa
from tests.physics.oracles_heat import vapour_flux_gm2s


def test_the_fast_saturation_is_the_published_one(record_check):
    celsius = np.concatenate([np.linspace(-79.9, -0.01, 3001), np.linspace(0.3, 109.9, 3001)])
    fast = np.array([surface_saturation_pa(float(value))[0] for value in celsius])
    worst = 1e6 * float(np.abs(fast / saturation_pressure_pa(celsius) - 1).max())
    record_check(
        "saturation at a surface (fast)",
        worst=worst,
        bound=15,
        unit="ppm",
        source="IAPWS R14-08, Wagner and Pruss 1993",
    )


def test_its_slope_is_the_slope_of_the_curve():
    for celsius in (-30.1, -5.1, 3.1, 20.1, 60.1):
        _, slope = surface_saturation_pa(celsius)
        rise = saturation_pressure_pa(celsius + 0.05) - saturation_pressure_pa(celsius - 0.05)
        assert slope == pytest.approx(rise / 0.1, rel=0.02)


def test_latent_heat_of_water_agrees_with_the_reference_equation(record_check):
    source = "CoolProp, water (IAPWS-95)"
    worst = 0.0
    for celsius in np.arange(0.5, 60.1, 2.5):
        kelvin = celsius + 273.15
        theirs = PropsSI("H", "T", kelvin, "Q", 1, "Water") - PropsSI("H", "T", kelvin, "Q", 0, "Water")
        worst = max(worst, abs(latent_heat_jg(float(celsius)) * 1000 / theirs - 1))
    record_check("latent heat", worst=100 * worst, bound=0.1, unit="%", source=source)


def test_the_latent_heats_of_frost_water_and_melting_agree_at_freezing():
    assert latent_heat_jg(-1e-9) == pytest.approx(latent_heat_jg(0.0) + HEAT_OF_FUSION_JG, abs=0.1)


def test_the_lewis_number_follows_from_diffusivity_and_air(record_check):
    """Massman 1998: D = 0.2178 cm2/s (T/273.15)^1.81 at 101 325 Pa."""
    worst = 0.0
    for celsius in (-20, 0, 20, 40):
        kelvin = celsius + 273.15
        air = {name: PropsSI(name, "T", kelvin, "P", 101_325, "Air") for name in "LDC"}
        diffusivity = 2.178e-5 * (kelvin / 273.15) ** 1.81
        theirs = air["L"] / (air["D"] * air["C"]) / diffusivity
        worst = max(worst, abs(LEWIS_NUMBER / theirs - 1))
    record_check(
        "Lewis number", worst=100 * worst, bound=2, unit="%", source="Massman 1998 and CoolProp, dry air"
    )


def test_evaporation_of_a_small_pool_comes_out_as_in_the_textbook_relation():
    """h/h_m = rho cp Le^(2/3): 10 W/m2K, surface 20 degC in dry air of 20 degC; by hand 0.149 g/m2s."""
    by_hand = 10.0 / (1.2041 * 1006 * 0.857 ** (2 / 3)) * 2339 / (461.5 * 293.15) * 1000
    ours = -vapour_flux_gm2s(0.0, 20.0, 10.0, 101_325.0)
    assert ours == pytest.approx(by_hand * (1 + 0.5 * 2339 / 101_325), rel=2e-3)


def test_vapour_flux_takes_arrays():
    surface = np.array([-10.0, 0.0, 10.0])
    many = vapour_flux_gm2s(np.full(3, 1200.0), surface, 5.0, 101_325.0)
    assert many == pytest.approx([vapour_flux_gm2s(1200.0, float(c), 5.0, 101_325.0) for c in surface])
    assert np.all(np.diff(many) < 0)


def test_a_surface_outside_the_table_is_refused():
    with pytest.raises(RangeError, match="surface_c"):
        surface_saturation_pa(150.0)


@given(st.floats(-20, 20), st.floats(0, 500), st.floats(0, 1), st.floats(1e3, 5e5))
def test_melting_and_freezing_keep_the_heat(skin_c, film_gm2, frozen, capacity):
    frost = frozen * film_gm2
    after_c, after_frost = change_phase(skin_c, film_gm2, frost, capacity)
    before_j = capacity * skin_c - HEAT_OF_FUSION_JG * frost
    after_j = capacity * after_c - HEAT_OF_FUSION_JG * after_frost
    assert after_j == pytest.approx(before_j, rel=1e-9, abs=1e-6 * capacity)
    assert 0.0 <= after_frost <= film_gm2 * (1 + 1e-12)
    if after_c > 0:
        assert after_frost == 0.0
    if after_c < 0:
        assert after_frost == pytest.approx(film_gm2)
