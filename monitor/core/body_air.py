"""The air of a zone that its bodies have yet to meet: each piece of it is made ready once for all of them."""

import math
from collections.abc import Sequence

from monitor.core.shop import ZoneFacts
from monitor.core.zone_air import Sample
from monitor.model.air import AirState
from monitor.physics.air_course import AIR_RANGE_C, FEW, air_point, sampled_air
from monitor.physics.bodies import Body
from monitor.physics.exchange import Surroundings
from monitor.physics.lag import BodyState, advance_through, air_to_meet, left_standing, look_ahead
from monitor.physics.night_sky import NO_FORECAST, ROOFED, Clouds, Sky, SkyDoubt
from monitor.physics.stepping import Moment
from monitor.physics.stretch import Stretch

_Standing = tuple[float, float | None, float | None]  # a body's time, and the air it met last


class BodyAir:
    """One zone's air at one tick; bodies that stand at the same moment share what is made of it."""

    def __init__(
        self, zone: ZoneFacts, samples: Sequence[Sample], gap_s: float, clouds: Clouds = NO_FORECAST
    ) -> None:
        self.zone = zone
        self.clouds = clouds
        self.gap_s = gap_s  # air that was not heard for longer is a gap
        self.place = (zone.pressure_pa, zone.draught_ms)
        self.sky = Sky(zone.sky_view_frac, clouds) if zone.sky_view_frac else ROOFED
        self._samples = samples
        self._runs: dict[float, list[list[Sample]]] = {}
        self._standing: dict[int, tuple[BodyState, Surroundings, Moment]] = {}  # by the state's identity
        self._stretches: dict[tuple[float, _Standing, SkyDoubt | None], list[Stretch]] = {}

    def first(self) -> Sample | None:
        """The first sample in which a body can be followed."""
        return next(iter(self._after(-math.inf)), None)

    def runs_after(self, time_s: float) -> list[list[Sample]]:
        """The samples later than a moment in which a body can be followed, in runs without a gap."""
        runs = self._runs.get(time_s)
        if runs is None:
            runs = self._runs[time_s] = []
            before_s = -math.inf
            for sample in self._after(time_s):
                if sample.time_s - before_s > self.gap_s:
                    runs.append([])
                runs[-1].append(sample)
                before_s = sample.time_s
        return runs

    def _after(self, time_s: float) -> list[Sample]:
        """In rising time; what is earlier than the one before it is passed over."""
        begin = len(self._samples)
        while begin and self._samples[begin - 1].time_s > time_s:
            begin -= 1
        later: list[Sample] = []
        for sample in self._samples[begin:]:
            rising = not later or sample.time_s > later[-1].time_s
            if rising and AIR_RANGE_C[0] <= sample.temperature_c <= AIR_RANGE_C[1]:
                later.append(sample)
        return later

    def carried(self, body: Body, state: BodyState, run: Sequence[Sample]) -> BodyState:
        """A body after samples of the zone's own air, those later than its state."""
        if run[-1].time_s <= state.time_s:
            return state
        left = left_standing(body, state, self._shared(body, state, run), self.place)
        self._standing[id(left[0])] = left
        return left[0]

    def carried_through(self, body: Body, state: BodyState, samples: Sequence[Sample]) -> BodyState:
        """A body after air that is supposed, and so not shared; all later than its state."""
        return advance_through(body, state, self._met(body, state, samples), self.place)

    def ahead(self, body: Body, state: BodyState, air: AirState, now_s: float) -> tuple[float, float, float]:
        """Skin, its standard uncertainty and film of a body now, the zone's last air taken to last."""
        if now_s <= state.time_s:
            return state.skin_c, state.skin_std_k, state.film_gm2
        last = (Sample(now_s, air.temperature_c, air.relative_humidity_frac),)
        known = self._standing.get(id(state))
        standing = None if known is None else known[1:]
        return look_ahead(body, state, self._shared(body, state, last), self.place, standing)

    def _shared(self, body: Body, state: BodyState, run: Sequence[Sample]) -> list[Stretch]:
        standing = (state.time_s, state.air_temperature_c, state.vapour_pressure_pa)
        key = (run[-1].time_s, standing, body.sky_doubt if self.sky.view_frac else None)
        found = self._stretches.get(key)
        if found is None:
            found = self._stretches[key] = self._met(body, state, run)
        return found

    def _met(self, body: Body, state: BodyState, samples: Sequence[Sample]) -> list[Stretch]:
        later = [sample for sample in samples if sample.time_s > state.time_s]
        if len(later) <= FEW:
            points = [air_point(*sample[:3]) for sample in later]
        else:
            times_s, air_c, humidity_frac, _ = zip(*later, strict=True)
            points = sampled_air(times_s, air_c, humidity_frac)
        return air_to_meet(state, points, self.sky, body.sky_doubt)
