"""What the gas page says: limits with provenance, wet tail, regulator, purge; and never to heat.

Frost points and ppmv at 101.325 kPa are checked against Hyland and Wexler over ice as tabled for the trade
(-50 °C 38.9, -44 °C 80.0, -40 °C 127 ppmv); the order of hoses against Mathers, The Welding of Aluminium and
its Alloys, Table 2.2. The physics itself is checked in tests/physics.
"""

import copy
import re
from itertools import pairwise
from typing import Any

import pytest

from monitor.gas.questions import (
    GasCylinder,
    HoseAsk,
    purge_answer,
    regulator_answer,
    usual_hose,
    wet_tail,
)
from monitor.gas.usual_practice import GasUse, gas_use
from monitor.model.air import AirState
from monitor.model.errors import InputError
from monitor.physics.gas_data import gas_data
from monitor.physics.moist_air import absolute_humidity_gm3, humidity_ratio_kgkg, wet_bulb_c
from monitor.physics.regulator import RegulatorState
from monitor.physics.saturation import dew_point_c, frost_point_c, vapour_pressure_pa
from monitor.settings.reference import load_toml

PHYSICAL = gas_data(load_toml("gas_grades.toml"))
USE: GasUse = gas_use(load_toml("gas_use.toml"), PHYSICAL)
GASES = sorted(USE.mixtures)


def air(temperature_c: float, rh_frac: float) -> AirState:
    vapour_pa = vapour_pressure_pa(temperature_c, rh_frac)
    return AirState(
        time_s=0.0,
        temperature_c=temperature_c,
        relative_humidity_frac=rh_frac,
        dew_point_c=dew_point_c(vapour_pa),
        frost_point_c=frost_point_c(vapour_pa),
        vapour_pressure_pa=vapour_pa,
        absolute_humidity_gm3=absolute_humidity_gm3(temperature_c, vapour_pa),
        humidity_ratio_kgkg=humidity_ratio_kgkg(vapour_pa, 101_325.0),
        wet_bulb_c=wet_bulb_c(temperature_c, rh_frac, 101_325.0),
        dew_point_std_k=0.3,
    )


DAMP = air(22.0, 0.60)


@pytest.mark.parametrize(("gas", "ppmv"), [("argon-co2", 80.0), ("argon", 39.1), ("co2", 120.0)])
def test_the_limit_is_the_stricter_of_moisture_and_frost_point(gas: str, ppmv: float) -> None:
    """ISO 14175:2008 (from memory): M2 80 ppmv / -44 °C, I 40 ppmv / -50 °C, C 120 ppmv / -40 °C."""
    assert USE.mixtures[gas].limit_ppmv == pytest.approx(ppmv, rel=0.01)
    assert "ISO 14175:2008" in wet_tail(GasCylinder(gas, 15.0), USE).limit_source
    assert "from memory" in wet_tail(GasCylinder(gas, 15.0), USE).limit_source


@pytest.mark.parametrize(("ppmv", "frost_c"), [(38.9, -50.0), (80.0, -44.0), (127.0, -40.0)])
def test_rows_give_the_frost_point_at_atmospheric_pressure(ppmv: float, frost_c: float) -> None:
    data = copy.deepcopy(load_toml("gas_grades.toml"))
    data["grades"]["iso14175_i"]["moisture_ppmv"]["value"] = ppmv
    data["grades"]["iso14175_i"]["frost_point_c"]["value"] = -20.0
    use = gas_use(load_toml("gas_use.toml"), gas_data(data))
    assert wet_tail(GasCylinder("argon", 25.0), use).rows[0].frost_point_c == pytest.approx(frost_c, abs=0.2)


def test_a_warm_cylinder_gives_its_gas_as_dry_as_it_was_filled() -> None:
    tail = wet_tail(GasCylinder("argon-co2", 18.0), USE)
    assert tail.dry_gauge_pa is None
    assert all(row.within and row.ppmv == pytest.approx(80.0) for row in tail.rows)


def test_a_cold_cylinder_has_a_wet_tail_that_passes_its_limit_on_the_way_down() -> None:
    tail = wet_tail(GasCylinder("argon-co2", -10.0), USE)
    assert tail.onset_c is not None
    assert tail.onset_c > -10.0
    assert tail.condensed_g is not None
    assert tail.condensed_g > 0.0
    gauges = [row.gauge_pa for row in tail.rows if row.gauge_pa is not None]
    assert gauges == sorted(gauges, reverse=True)
    below = [row.ppmv for row in tail.rows if row.gauge_pa is not None and row.gauge_pa <= 1.0e7]
    assert below == sorted(below)  # near 150 bar a mixture with carbon dioxide holds about the same
    assert tail.rows[0].within
    assert not tail.rows[-1].within
    assert "past its limit from" in tail.text


def test_liquid_carbon_dioxide_goes_by_what_is_left_not_by_its_gauge() -> None:
    tail = wet_tail(GasCylinder("co2", 15.0), USE)
    assert [row.gauge_pa for row in tail.rows] == [None] * len(tail.rows)
    assert all(later.ppmv > earlier.ppmv for earlier, later in pairwise(tail.rows))
    assert "weigh it" in tail.text


@pytest.mark.parametrize("gas", ["argon-co2", "argon", "co2"])
def test_the_more_is_drawn_the_colder_the_regulator(gas: str) -> None:
    answer = regulator_answer(GasCylinder(gas, 15.0), DAMP, USE)
    assert all(later.body_c < earlier.body_c for earlier, later in pairwise(answer.rows))
    order = [RegulatorState.DRY, RegulatorState.SWEATS, RegulatorState.ICES]
    states = [order.index(row.state) for row in answer.rows]
    assert states == sorted(states)
    assert answer.sweats_from_lmin is not None


def test_in_dry_air_a_regulator_stays_dry() -> None:
    answer = regulator_answer(GasCylinder("argon", 22.0), air(22.0, 0.15), USE)
    assert {row.state for row in answer.rows} == {RegulatorState.DRY}
    assert answer.sweats_from_lmin is None


def test_what_cannot_be_worked_out_is_said() -> None:
    assert "Not worked out for helium" in regulator_answer(GasCylinder("helium", 15.0), DAMP, USE).text
    assert "Not worked out" in regulator_answer(GasCylinder("argon", 15.0, gauge_pa=0.0), DAMP, USE).text


def test_a_gas_that_shields_nothing_is_refused() -> None:
    with pytest.raises(InputError, match="gas: found oxygen; use one of: argon-co2"):
        wet_tail(GasCylinder("oxygen", 15.0), USE)


def test_the_longer_a_hose_stood_the_longer_it_is_purged() -> None:
    answer = purge_answer("argon-co2", DAMP, USE)
    seconds = [row.seconds for row in answer.rows]
    assert None not in seconds
    assert seconds == sorted(seconds)  # type: ignore[type-var]
    assert "rolls released, room ventilated" in answer.text


def test_dense_hoses_let_in_less_than_rubber() -> None:
    """Mathers, Table 2.2: natural rubber and neoprene let most through, then PVC; the others less."""
    usual = usual_hose(USE)

    def steady(material: str) -> float:
        ask = HoseAsk(material, usual.length_m, usual.bore_m, usual.wall_m, usual.flow_lmin)
        return purge_answer("argon", DAMP, USE, ask).steady_ppmv

    found = {material: steady(material) for material in PHYSICAL.hoses}
    assert found["natural_rubber"] > found["neoprene"] > found["pvc"]
    assert found["pvc"] > max(found["ptfe"], found["polyethylene"])


def test_a_hose_that_lets_in_too_much_for_good_is_told_so() -> None:
    answer = purge_answer("argon", air(30.0, 0.9), USE, HoseAsk("natural_rubber", 30.0, 0.006, 0.0025, 8.0))
    assert answer.rows[-1].seconds is None
    assert "no purge does" in answer.text


HEATING = re.compile(r"\b(heat|warm|thaw|torch|flame|heater|gun)\w*", re.IGNORECASE)
FORBIDS = re.compile(r"\b(never|no|not|away from)\b", re.IGNORECASE)
ON_THE_VALVE = "on the valve only"


def test_no_text_ever_says_to_heat_a_cylinder() -> None:
    texts = [caution.text for caution in USE.cautions]
    for gas in GASES:
        for temperature_c in (-25.0, -10.0, 0.0, 15.0, 25.0):
            cylinder = GasCylinder(gas, temperature_c)
            texts += [wet_tail(cylinder, USE).text, regulator_answer(cylinder, DAMP, USE).text]
        texts.append(purge_answer(gas, DAMP, USE).text)
    for text in texts:
        for sentence in re.split(r"(?<=[.:;])\s", text):
            if HEATING.search(sentence):
                assert FORBIDS.search(sentence) or ON_THE_VALVE in sentence, sentence


def test_every_caution_says_how_it_is_known() -> None:
    texts = " ".join(caution.text for caution in USE.cautions)
    for words in (
        "Never heat a cylinder",
        "lint-free cloth",
        "Secure it upright",
        "ventilate",
        "oil or grease",
    ):
        assert words in texts
    assert all(caution.source for caution in USE.cautions)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d["mixtures"]["argon"].update(grades=["gold"]), "mixtures.argon.grades"),
        (lambda d: d["mixtures"]["argon"].update(shares={"argon": 0.5}), "mixtures.argon.shares"),
        (lambda d: d["usual"].update(hose="lead"), "usual.hose"),
        (lambda d: d["caution"][0].pop("source"), "source"),
        (lambda d: d.update(colour=1), "colour"),
    ],
)
def test_faults_in_the_file_are_named(change: Any, words: str) -> None:
    data = copy.deepcopy(load_toml("gas_use.toml"))
    change(data)
    with pytest.raises(InputError, match=re.escape(words)):
        gas_use(data, PHYSICAL)
