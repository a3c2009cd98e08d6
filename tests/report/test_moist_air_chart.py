"""Lines of the moist-air view against psychrolib, which follows ASHRAE Fundamentals 2017, ch. 1."""

import numpy as np
import psychrolib
import pytest

from monitor.physics.moist_air import station_pressure_pa
from monitor.report.moist_air_chart import LINES_FRAC, ends, humidity_line, sweats_from_kgkg

psychrolib.SetUnitSystem(psychrolib.SI)
# Both follow ASHRAE's form; the saturation formulas differ by less than this from 0 to 40 degC.
FORMULAS_APART = 1e-3


@pytest.mark.parametrize("humidity", LINES_FRAC)
@pytest.mark.parametrize("altitude_m", [0.0, 1_600.0])
def test_a_line_of_relative_humidity_is_the_library_s(humidity: float, altitude_m: float) -> None:
    pressure_pa = float(station_pressure_pa(altitude_m))
    assert pressure_pa == pytest.approx(psychrolib.GetStandardAtmPressure(altitude_m), rel=1e-3)
    warm, ratio = humidity_line(humidity, (0.5, 35.0), 0.1, pressure_pa)
    for temperature_c, found in zip(warm.tolist(), ratio.tolist(), strict=True):
        expected = psychrolib.GetHumRatioFromRelHum(temperature_c, humidity, pressure_pa)
        assert found == pytest.approx(expected, rel=FORMULAS_APART)


@pytest.mark.parametrize("skin_c", [-8.0, -0.5, 0.5, 7.0, 12.0, 25.0])
def test_a_surface_sweats_from_the_ratio_whose_dew_or_frost_point_it_has(skin_c: float) -> None:
    found = sweats_from_kgkg(skin_c, 101_325.0)
    assert found == pytest.approx(psychrolib.GetHumRatioFromTDewPoint(skin_c, 101_325.0), rel=FORMULAS_APART)


def test_a_line_ends_where_the_drawing_does_and_never_beyond() -> None:
    warm, ratio = humidity_line(1.0, (0.0, 30.0), 0.01, 101_325.0)
    assert ratio[-1] == 0.01
    assert ratio.max() == 0.01
    expected = psychrolib.GetTDewPointFromHumRatio(30.0, 0.01, 101_325.0)
    assert warm[-1] == pytest.approx(expected, abs=0.05)
    assert humidity_line(1.0, (20.0, 30.0), 0.01, 101_325.0)[0].size == 0


def test_the_ends_hold_all_with_room() -> None:
    low, high = ends([3.2, 9.7], 1.0, 0.5)
    assert (low, high) == (2.0, 11.0)
    assert np.isfinite([low, high]).all()
