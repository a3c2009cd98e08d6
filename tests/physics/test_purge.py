"""Idle hoses against diffusion through a round wall solved step by step, and against what shops do."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from monitor.model.errors import RangeError
from monitor.physics import purge as p
from monitor.physics.elementwise import FloatArray
from monitor.physics.gas_data import gas_data
from monitor.settings.reference import load_toml
from tests.physics.oracles_hose import after_idle_ppmv, hose_volume_l, idle_fill_frac, purge_volumes

RecordCheck = Callable[..., None]
MATERIALS = gas_data(load_toml("gas_grades.toml")).hoses
RUBBER = MATERIALS["natural_rubber"].hose(5.0, 0.0063, 0.003)
THIN = MATERIALS["natural_rubber"].hose(5.0, 0.0063, 0.0008)
PLASTIC = MATERIALS["polyethylene"].hose(5.0, 0.0063, 0.003)
DUTY = p.HoseDuty(room_c=20.0, room_vapour_pa=1400.0, hose_pressure_pa=3.0e5, flow_lmin=15.0, supply_ppmv=5.0)
HOUR_S = 3600.0


def test_volume_is_that_of_a_cylinder() -> None:
    assert hose_volume_l(5.0, 0.0063) == pytest.approx(1000.0 * math.pi * 0.00315**2 * 5.0)


# Fully mixed: each volume of dry gas leaves 1/e. 100 to 40 ppmv on 5 ppmv supply: ln(95/35).
def test_volumes_follow_the_stirred_tank() -> None:
    assert purge_volumes(100.0, 40.0, 5.0) == pytest.approx(math.log(95.0 / 35.0))
    assert purge_volumes(30.0, 40.0, 5.0) == 0.0


# Gas alone, a wall that lets nothing through: the wash-out by scipy's solver.
def test_a_tight_hose_washes_out_as_a_stirred_tank(record_check: RecordCheck) -> None:
    tight = replace(PLASTIC, permeability_mol_mspa=0.0)
    flow = 15.0 / 60.0 * 1e-3 * 101325.0 / (8.314462618 * 288.15)
    held = 3.0e5 * math.pi * 0.00315**2 * 5.0 / (8.314462618 * 293.15)
    start = 1e6 * idle_fill_frac(100 * HOUR_S, tight) * 1400.0 / 3.0e5
    times = np.array([1.0, 5.0, 10.0])
    solved = solve_ivp(lambda _, c: -flow / held * c, (0.0, 10.0), [start], t_eval=times, rtol=1e-10)
    found = after_idle_ppmv(times, 100 * HOUR_S, tight, DUTY)
    record_check(
        "moisture after idle, gas alone",
        worst=100.0 * float(np.abs((found - 5.0) / solved.y[0] - 1.0).max()),
        bound=0.01,
        unit="%",
        source="scipy's solver on a stirred tank",
    )


class RoundWall:
    """Vapour in a round wall, by finite volumes in the radius; outside at the room's vapour pressure."""

    def __init__(self, hose: p.Hose, rings: int = 160) -> None:
        inner, outer = hose.bore_m / 2.0, hose.bore_m / 2.0 + hose.wall_m
        edges = inner + (outer - inner) * np.linspace(0.0, 1.0, rings + 1) ** 1.5  # finer at the bore
        centres = np.sqrt(0.5 * (edges[1:] ** 2 + edges[:-1] ** 2))
        self.hose = hose
        self.volume = 0.5 * (edges[1:] ** 2 - edges[:-1] ** 2)
        self.between = 1.0 / np.log(centres[1:] / centres[:-1])
        self.at_bore = 1.0 / math.log(centres[0] / inner)
        self.at_skin = 1.0 / math.log(outer / centres[-1])
        self.steady = np.log(centres / inner) / math.log(outer / inner)

    def rate(self, vapour: FloatArray, bore: float | None) -> FloatArray:
        """Change of the vapour pressure, room at 1; bore None means sealed."""
        flow = self.between * np.diff(vapour)
        inward = np.zeros_like(vapour)
        inward[:-1] += flow
        inward[1:] -= flow
        inward[-1] += self.at_skin * (1.0 - vapour[-1])
        if bore is not None:
            inward[0] -= self.at_bore * (vapour[0] - bore)
        return self.hose.diffusivity_m2s * inward / self.volume

    def follow(self, start: FloatArray, times: FloatArray, bore: float | None) -> FloatArray:
        solved = solve_ivp(
            lambda _, v: self.rate(v, bore),
            (0.0, float(times[-1])),
            start,
            method="LSODA",
            lband=1,
            uband=1,
            t_eval=times,
            rtol=1e-7,
            atol=1e-9,
        )
        return solved.y


# The round wall is treated as a flat one of equal steady passage, which is exact for a thin wall and for
# steady flow; the solver knows it is round.
@pytest.mark.parametrize("hose", [THIN, RUBBER], ids=["thin wall", "thick wall"])
def test_an_idle_hose_fills_as_by_diffusion_through_a_round_wall(
    record_check: RecordCheck, hose: p.Hose
) -> None:
    wall = RoundWall(hose)
    times = np.array([0.05, 0.2, 0.5, 1.0, 2.0]) * hose.depth_m**2 / hose.diffusivity_m2s
    expected = wall.follow(wall.steady, times, bore=None)[0]
    record_check(
        f"humidity in an idle hose, {'thin' if hose is THIN else 'thick'} wall",
        worst=float(np.abs(idle_fill_frac(times, hose) - expected).max()),
        bound=0.02 if hose is THIN else 0.05,
        unit="share of the room's",
        source="diffusion through a round wall, finite volumes and scipy's solver",
    )


@pytest.mark.parametrize("hose", [THIN, RUBBER], ids=["thin wall", "thick wall"])
def test_the_wall_dries_as_by_diffusion_through_a_round_wall(record_check: RecordCheck, hose: p.Hose) -> None:
    wall = RoundWall(hose)
    times = np.array([0.003, 0.01, 0.05, 0.2, 0.5, 2.0]) * hose.depth_m**2 / hose.diffusivity_m2s
    inner = wall.follow(np.ones_like(wall.volume), times, bore=0.0)[0]
    flow = 15.0 / 60.0 * 1e-3 * 101325.0 / (8.314462618 * 288.15)
    passage = 2.0 * math.pi * hose.length_m * hose.permeability_mol_mspa * DUTY.room_vapour_pa
    expected = 1e6 * passage * wall.at_bore * inner / flow
    found = after_idle_ppmv(times, 1.0e8, hose, replace(DUTY, supply_ppmv=0.0))
    record_check(
        f"moisture given off by a hose, {'thin' if hose is THIN else 'thick'} wall",
        worst=100.0 * float(np.abs(found / expected - 1.0).max()),
        bound=8.0 if hose is THIN else 20.0,
        unit="%",
        source="diffusion through a round wall, finite volumes and scipy's solver",
    )


# Crank 1975, ch. 5: steady flow through a round wall is 2 pi L P dp / ln(ro/ri).
def test_a_running_hose_lets_in_what_permeation_says() -> None:
    flow = 15.0 / 60.0 * 1e-3 * 101325.0 / (8.314462618 * 288.15)
    inflow = 2.0 * math.pi * 5.0 * RUBBER.permeability_mol_mspa * 1400.0 / math.log(6.15 / 3.15)
    assert p.running_ppmv(15.0, RUBBER, DUTY) == pytest.approx(5.0 + 1e6 * inflow / flow)
    assert after_idle_ppmv(1.0e7, 60 * HOUR_S, RUBBER, DUTY) == pytest.approx(
        p.running_ppmv(15.0, RUBBER, DUTY)
    )


# Common practice: after a night or weekend 30 to 60 s of gas, longer for long rubber hose; gone by coffee.
# And the published order of hose materials (Mathers, Table 2.2): natural rubber and neoprene worst, then
# PVC, then PTFE and dense polyethylene.
def test_purge_times_are_what_shops_need() -> None:
    weekend = 64 * HOUR_S
    minutes = {
        name: p.purge_time_s(40.0, weekend, material.hose(5.0, 0.0063, 0.003), DUTY) / 60.0
        for name, material in MATERIALS.items()
    }
    assert minutes["polyethylene"] < 0.5
    assert minutes["pvc"] <= 1.0
    assert 1.0 < minutes["natural_rubber"] < 15.0
    running = {
        name: p.running_ppmv(15.0, material.hose(5.0, 0.0063, 0.003), DUTY)
        for name, material in MATERIALS.items()
    }
    order = ["natural_rubber", "neoprene", "pvc", "polyethylene", "ptfe"]
    assert [running[name] for name in order] == sorted(running.values(), reverse=True)


def test_a_target_below_what_the_hose_lets_in_is_never_reached() -> None:
    assert p.purge_time_s(5.0, HOUR_S, RUBBER, DUTY) == math.inf
    assert p.purge_time_s(1.0e5, HOUR_S, RUBBER, DUTY) == 0.0


@given(st.floats(60.0, 4e5), st.floats(1.0, 2e4), st.sampled_from([RUBBER, THIN, PLASTIC]))
def test_gas_grows_drier_with_time_and_wetter_with_idleness(
    idle_s: float, time_s: float, hose: p.Hose
) -> None:
    now = after_idle_ppmv(time_s, idle_s, hose, DUTY)
    assert after_idle_ppmv(1.1 * time_s, idle_s, hose, DUTY) <= now + 1e-9
    assert after_idle_ppmv(time_s, 1.5 * idle_s, hose, DUTY) >= now - 1e-9
    assert now >= p.running_ppmv(DUTY.flow_lmin, hose, DUTY) - 1e-6 or idle_fill_frac(idle_s, hose) < 0.2


@given(st.floats(12.0, 400.0), st.floats(HOUR_S, 4e5))
def test_the_purge_time_reaches_its_target(target_ppmv: float, idle_s: float) -> None:
    needed = p.purge_time_s(target_ppmv, idle_s, RUBBER, DUTY)
    if 0.0 < needed < math.inf:
        assert after_idle_ppmv(needed, idle_s, RUBBER, DUTY) == pytest.approx(target_ppmv, rel=1e-3)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: hose_volume_l(5.0, 0.1), "bore_m: found 0.1"),
        (lambda: purge_volumes(100.0, 4.0, 5.0), "supply_ppmv: found 5.0; valid is below target_ppmv"),
        (lambda: idle_fill_frac(-1.0, RUBBER), "idle_s: found -1.0"),
        (lambda: idle_fill_frac(1.0, replace(RUBBER, wall_m=0.0)), "hose.wall_m: found 0.0"),
        (
            lambda: after_idle_ppmv(1.0, 1.0, RUBBER, replace(DUTY, flow_lmin=0.0)),
            "duty.flow_lmin: found 0.0",
        ),
        (lambda: p.purge_time_s(0.0, 1.0, RUBBER, DUTY), "target_ppmv: found 0.0"),
    ],
)
def test_a_number_outside_the_range_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(RangeError) as caught:
        call()
    assert str(caught.value).startswith(named)
