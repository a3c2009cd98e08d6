"""Carries every cylinder and plate along with its zone's air, and says how near to wet each is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from monitor.alarms.trend import FAR_H
from monitor.core.shop import ZoneFacts
from monitor.core.zone_air import Sample
from monitor.model.air import AirState
from monitor.model.picture import Wait
from monitor.physics.air_course import FEW, air_point
from monitor.physics.bodies import Body
from monitor.physics.clearing import Air, ClearingTimes, Reach, clearing
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.lag import BodyState, advance, advance_through, surface_margin_k
from monitor.physics.night_sky import NO_FORECAST, ROOFED, Clouds, Sky
from monitor.physics.saturation import saturation_pressure_water_pa
from monitor.physics.uncertainty import wet_probability_frac


@dataclass(frozen=True, slots=True)
class Figures:
    """What is known of one body at one moment."""

    time_s: float
    skin_c: float
    margin_k: float
    margin_std_k: float
    from_frost: bool
    wet_probability_frac: float
    film_gm2: float
    hours_to_wet: float  # at the trend of the last hour
    open_sky: bool = False  # whether it sees any sky
    cloud_frac: float | None = None  # over it, as forecast; None: not known, then taken as clear
    supposed: str = ""  # what was not measured or entered of it, and is taken against us
    doubtful: bool = False  # it is not safe only by what was supposed
    kinder_margin_k: float | None = None  # of the other end of what was supposed
    wet_doubtful: bool = False  # it is wet only by what was supposed

    @property
    def wet(self) -> bool:
        """Water is on it, or will form in this air."""
        return self.margin_k <= 0.0 or self.film_gm2 >= DRY_BELOW_GM2


class Waits(NamedTuple):
    """How long until a body is clear, in three senses."""

    to_dew_point: Wait
    to_margin: Wait
    to_dry: Wait


CLEAR = Waits(*(Wait(0.0, "now"),) * 3)
REMEMBERED = 512  # bodies whose waits are kept until their state changes


@dataclass(frozen=True, slots=True)
class BodyPlace:
    """Where a body stands: the zone, its air now, and the clouds over its site."""

    air: AirState
    zone: ZoneFacts
    clouds: Clouds = NO_FORECAST

    @property
    def sky(self) -> Sky:
        """What it sees of the sky."""
        return Sky(self.zone.sky_view_frac, self.clouds)


def carry(
    body: Body,
    state: BodyState,
    samples: Sequence[Sample],
    zone: ZoneFacts,
    clouds: Clouds = NO_FORECAST,
) -> BodyState:
    """The body after these samples of its zone's air, those later than its own time."""
    later = [s for s in samples if s.time_s > state.time_s]
    if not later:
        return state
    sky = Sky(zone.sky_view_frac, clouds) if zone.sky_view_frac else ROOFED
    if len(later) <= FEW:
        air = [air_point(*sample[:3]) for sample in later]
        return advance_through(body, state, air, (zone.pressure_pa, zone.draught_ms), sky)
    return advance(
        body,
        state,
        [s.time_s for s in later],
        [s.temperature_c for s in later],
        [s.relative_humidity_frac for s in later],
        pressure_pa=zone.pressure_pa,
        draught_ms=zone.draught_ms,
        sky=sky,
    )


def figures(body: Body, state: BodyState, place: BodyPlace, now_s: float) -> Figures:
    """What to say of the body now, its zone's last air taken to last."""
    air, zone = place.air, place.zone
    ahead = _ahead(body, state, place, now_s)
    margin, from_frost = surface_margin_k(ahead.skin_c, air.vapour_pressure_pa)
    std = math.hypot(ahead.skin_std_k, air.dew_point_std_k)
    return Figures(
        time_s=now_s,
        skin_c=ahead.skin_c,
        margin_k=margin,
        margin_std_k=std,
        from_frost=from_frost,
        wet_probability_frac=wet_probability_frac(margin, std),
        film_gm2=ahead.film_gm2,
        hours_to_wet=FAR_H,
        open_sky=zone.sky_view_frac > 0.0,
        cloud_frac=place.clouds.at_one(now_s),
    )


def _ahead(body: Body, state: BodyState, place: BodyPlace, now_s: float) -> BodyState:
    if now_s <= state.time_s:
        return state
    air, zone = place.air, place.zone
    last = air_point(now_s, air.temperature_c, air.relative_humidity_frac)
    return advance_through(body, state, [last], (zone.pressure_pa, zone.draught_ms), place.sky)


@lru_cache(maxsize=REMEMBERED)
def waits(body: Body, state: BodyState, place: BodyPlace, now_s: float, margin_k: float) -> Waits:
    """When a body will be above the dew point, a margin above it, and dry, the zone's last air taken to last.

    Worked out when somebody looks: it follows three days of three courses, and nothing is judged by it.
    """
    air, zone = place.air, place.zone
    ahead = _ahead(body, state, place, now_s)
    steady = Air(
        np.array([ahead.time_s]),
        np.array([air.temperature_c]),
        np.array([air.relative_humidity_frac]),
        pressure_pa=zone.pressure_pa,
        draught_ms=zone.draught_ms,
        humidity_std_frac=_humidity_std_frac(air),
        sky=place.sky,
    )
    found = clearing(body, ahead, steady, margin_k=margin_k)
    return Waits(_wait(found.dew_point), _wait(found.margin), _wait(found.dry))


def _humidity_std_frac(air: AirState) -> float:
    """The dew point's uncertainty as one of humidity, for the bounds."""
    dew = saturation_pressure_water_pa(air.dew_point_c)
    rise = saturation_pressure_water_pa(air.dew_point_c + air.dew_point_std_k) / dew - 1.0
    return air.relative_humidity_frac * rise


_WORDS = {
    Reach.NOW: "now",
    Reach.REACHED: "in this air",
    Reach.BEYOND_HORIZON: "later than can be said",
    Reach.NOT_REACHABLE: "not in this air",
}


def _wait(answer: ClearingTimes) -> Wait:
    return Wait(answer.hours, _WORDS[answer.reach], answer.low_hours, answer.high_hours)
