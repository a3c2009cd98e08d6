"""How long until a body is clear: worked out when somebody looks, from the state that the last tick left."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.core.present import picture
from monitor.core.state import Arrived, CoreState, Tick
from monitor.core.step import Shop, first_state, step
from monitor.engine.build import build_shop
from monitor.model.level import Level
from monitor.model.picture import Wait
from monitor.model.reading import StoredReading
from monitor.physics.clearing import Air, clearing
from monitor.physics.lag import advance
from monitor.physics.saturation import saturation_pressure_water_pa
from tests.bench.replay_bench import START_S, readings, yard

TICK_S = 10.0


def ticks(shop: Shop, hours: float) -> Iterator[CoreState]:
    """The state after every tick over two sensors."""
    state, waiting, tick_s = first_state(shop, START_S), [], START_S + TICK_S
    for order, reading in enumerate(readings(2, 2, hours), start=1):
        while reading.arrived_s >= tick_s:
            if waiting:
                state, _ = step(shop, state, Arrived(tuple(waiting)))
                waiting = []
            state, _ = step(shop, state, Tick(tick_s))
            yield state
            tick_s += TICK_S
        waiting.append(StoredReading(order, reading))


def test_the_picture_says_the_waits_that_follow_from_the_air_and_the_body_of_the_last_tick(
    tmp_path: Path,
) -> None:
    shop = build_shop(yard(tmp_path, 2, 2, things=True))
    seen = 0
    for n, state in enumerate(ticks(shop, 2.0)):
        if n % 90 != 89:
            continue
        for now in picture(shop, state).bodies:
            figures, air = state.figures[now.id], state.air[now.zone]
            if figures.margin_k >= shop.limits.margin_caution_k:
                assert now.to_dry == Wait(0.0, "now")
                continue
            body, held, zone = shop.bodies[now.id].body, state.bodies[now.id], shop.zones[now.zone]
            ahead = advance(
                body,
                held,
                [figures.time_s],
                [air.temperature_c],
                [air.relative_humidity_frac],
                pressure_pa=zone.pressure_pa,
                draught_ms=zone.draught_ms,
            )
            damper = saturation_pressure_water_pa(air.dew_point_c + air.dew_point_std_k)
            std = air.relative_humidity_frac * (damper / saturation_pressure_water_pa(air.dew_point_c) - 1.0)
            steady = Air(
                np.array([ahead.time_s]),
                np.array([air.temperature_c]),
                np.array([air.relative_humidity_frac]),
                pressure_pa=zone.pressure_pa,
                draught_ms=zone.draught_ms,
                humidity_std_frac=std,
            )
            found = clearing(body, ahead, steady, margin_k=shop.limits.margin_caution_k)
            assert now.to_margin.hours == pytest.approx(found.margin.hours)
            assert now.to_dew_point.hours == pytest.approx(found.dew_point.hours)
            assert now.to_dry.high_hours == pytest.approx(found.dry.high_hours)
            seen += 1
    assert seen


def test_a_body_of_which_no_figures_are_known_has_no_wait(tmp_path: Path) -> None:
    shop = build_shop(yard(tmp_path, 2, 2, things=True))
    for now in picture(shop, first_state(shop, START_S)).bodies:
        assert (now.to_dry.hours, now.to_dry.reason) == (None, "unknown")


def test_a_course_beyond_what_the_formulas_cover_leaves_a_wait_unknown_and_the_picture_whole(
    tmp_path: Path,
) -> None:
    shop = build_shop(yard(tmp_path, 2, 2, things=True))
    *_, state = ticks(shop, 0.5)
    hot = {zone: replace(air, temperature_c=85.0) for zone, air in state.air.items()}
    near = {name: replace(now, margin_k=1.0) for name, now in state.figures.items()}
    for now in picture(shop, replace(state, air=hot, figures=near)).bodies:
        assert (now.to_dry.hours, now.to_dry.reason) == (None, "unknown")
        assert now.level is not Level.SAFE
