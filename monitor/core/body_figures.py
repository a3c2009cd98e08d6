"""Says of a cylinder or plate how near to wet it is, and how long until it is clear."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from monitor.core.body_air import BodyAir
from monitor.core.shop import ZoneFacts
from monitor.model.air import AirState
from monitor.model.picture import Wait
from monitor.physics.bodies import Body
from monitor.physics.clearing import Air, ClearingTimes, Reach, clearing
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.lag import BodyState, advance, surface_margin_k
from monitor.physics.night_sky import NO_FORECAST, Clouds, Sky
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
        return is_wet(self.margin_k, self.film_gm2)


def is_wet(margin_k: float, film_gm2: float) -> bool:
    """Water is on a body of these numbers, or will form."""
    return margin_k <= 0.0 or film_gm2 >= DRY_BELOW_GM2


Doubt = tuple[str, bool, float | None, bool]  # the last four of `Figures`
NO_DOUBT: Doubt = ("", False, None, False)


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


def figures(
    ahead: tuple[float, float, float],
    air: AirState,
    met: BodyAir,
    now_s: float,
    hours_to_wet: float,
    doubt: Doubt,
) -> Figures:
    """What to say of a body by its skin, its uncertainty and its film now (`BodyAir.ahead`)."""
    skin_c, skin_std_k, film_gm2 = ahead
    margin_k, from_frost = surface_margin_k(skin_c, air.vapour_pressure_pa)
    std_k = math.hypot(skin_std_k, air.dew_point_std_k)
    return Figures(
        now_s,
        skin_c,
        margin_k,
        std_k,
        from_frost,
        wet_probability_frac(margin_k, std_k),
        film_gm2,
        hours_to_wet,
        met.zone.sky_view_frac > 0.0,
        met.clouds.at_one(now_s),
        *doubt,
    )


@lru_cache(maxsize=REMEMBERED)
def waits(body: Body, state: BodyState, place: BodyPlace, now_s: float, margin_k: float) -> Waits:
    """When a body will be above the dew point, a margin above it, and dry, the zone's last air taken to last.

    Worked out when somebody looks: it follows three days of three courses, and nothing is judged by it.
    """
    air, zone = place.air, place.zone
    ahead = advance(
        body,
        state,
        [now_s],
        [air.temperature_c],
        [air.relative_humidity_frac],
        pressure_pa=zone.pressure_pa,
        draught_ms=zone.draught_ms,
        sky=place.sky,
    )
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
