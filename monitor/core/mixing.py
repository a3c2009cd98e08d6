"""Makes one believed air for each zone out of its sensors: where they differ, the one against us."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from monitor.core.zone_air import DRIEST_FRAC, NOTHING_HEARD, Heard, Sample, ZoneAir
from monitor.model.reading import Quantity, Reading
from monitor.physics.saturation import dew_point_c, vapour_of

PAIR_S = 90.0  # temperature and humidity this close in time belong together
KEEP_SAMPLES = 20_000  # backlog that a zone holds before its bodies have caught up
_tuple = tuple.__new__  # a named one, without the call that its own making takes
_WARMTH, _HUMIDITY = Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY  # named once, for the inner loop


def hear(air: ZoneAir, readings: Iterable[Reading], fresh_s: float, judged_to_c: float) -> ZoneAir:
    """Take in believed, current readings of one zone, in order; above `judged_to_c` no humidity is used."""
    mixing = Mixing(air, fresh_s, judged_to_c)
    mixing.take(readings)
    return mixing.air()


class Against:
    """Who of a zone's sensors stands against us, so that one more reading need not be held against all.

    It holds for the very `heard` that it was made of, up to the moment at which the first of those heard
    lately may have fallen silent: none of these was heard before `_oldest_s`.
    """

    __slots__ = (
        "_as_of_s",
        "_humid",
        "_humidity",
        "_mixed_c",
        "_most_pa",
        "_oldest_s",
        "_wet",
        "_wettest",
        "heard",
    )

    def __init__(self, heard: dict[str, Heard]) -> None:
        self.heard = heard
        self._as_of_s = self._oldest_s = math.inf  # nothing holds yet
        self._humid, self._humidity = "", -math.inf  # the most humid sensor
        self._wet, self._wettest, self._most_pa = "", NOTHING_HEARD, -math.inf  # that with the most water
        self._mixed_c = math.nan  # where both are so; not a number: not worked out yet

    def copied(self, heard: dict[str, Heard]) -> "Against":
        """The same of a mapping that is to go on from the same in it."""
        other = Against(heard)
        other._as_of_s, other._oldest_s = self._as_of_s, self._oldest_s
        other._humid, other._humidity, other._mixed_c = self._humid, self._humidity, self._mixed_c
        other._wet, other._wettest, other._most_pa = self._wet, self._wettest, self._most_pa
        return other

    def told(self, names: Iterable[str], now_s: float, fresh_s: float, judged_to_c: float) -> None:
        """Take in sensors with other values than before; where only a look at all can tell, it follows."""
        holds = True
        for name in names:
            one = self.heard[name]
            if now_s - one[0] <= fresh_s and now_s - one[2] <= fresh_s:
                if one[1] <= judged_to_c and one[4] != one[4]:  # in hotter air nobody asks for the vapour
                    one = self.heard[name] = Heard(*one[:4], _vapour_pa(one))
                holds = self._taken_in(name, one) and holds
            elif name in (self._humid, self._wet):
                holds = False
        if not holds:
            self._as_of_s = math.inf

    def unmixed(self, names: Iterable[str]) -> None:
        """Sensors have other values with which nothing was mixed; one that never told both has none here."""
        if any(min(self.heard[name][::2][:2]) > NOTHING_HEARD[0] for name in names):
            self._as_of_s = math.inf

    def sample(self, now_s: float, fresh_s: float, judged_to_c: float) -> Sample | None:
        """The air against us at a moment; None where nobody was heard lately."""
        if not (self._as_of_s <= now_s and now_s - self._oldest_s <= fresh_s):
            fresh = {
                name: one
                for name, one in self.heard.items()
                if now_s - one[0] <= fresh_s and now_s - one[2] <= fresh_s
            }
            self._as_of_s = math.inf
            if not fresh:
                return None
            if max([one[1] for one in fresh.values()]) > judged_to_c:
                coldest_c = min(one.temperature_c for one in fresh.values())
                return Sample(now_s, coldest_c, max(one.humidity_frac for one in fresh.values()))
            self._look(fresh, now_s)
        if self._mixed_c != self._mixed_c:
            same = self._wettest.humidity_frac == self._humidity
            humidity = max(self._humidity, DRIEST_FRAC)  # as the vapour was worked out
            self._mixed_c = self._wettest.temperature_c if same else dew_point_c(self._most_pa / humidity)
        return Sample(now_s, self._mixed_c, self._humidity)

    def _look(self, fresh: Mapping[str, Heard], now_s: float) -> None:
        """Find them among all that were heard lately; of the wettest the first counts."""
        self._as_of_s = now_s
        vapours = {name: _vapour_pa(one) for name, one in fresh.items()}
        self._wet = max(vapours, key=vapours.__getitem__)
        self._wettest, self._most_pa = fresh[self._wet], vapours[self._wet]
        self._humid = max(fresh, key=lambda name: fresh[name][3])
        self._humidity = fresh[self._humid][3]
        self._oldest_s = min([min(one[0], one[2]) for one in fresh.values()])
        self._mixed_c = math.nan

    def _taken_in(self, name: str, one: Heard) -> bool:
        """Take in one that was heard lately; False where it was, or may be, the one that counts."""
        warm_s, _, damp_s, humidity, vapour_pa = one
        if humidity > self._humidity:
            self._humid, self._humidity, self._mixed_c = name, humidity, math.nan
        elif name == self._humid and humidity != self._humidity:
            return False
        if vapour_pa > self._most_pa:
            self._wet, self._wettest, self._most_pa, self._mixed_c = name, one, vapour_pa, math.nan
        elif vapour_pa < self._most_pa:
            if name == self._wet:
                return False
        elif one[1::2] != self._wettest[1::2]:  # as much water in another air, or in air too hot to say
            return False
        self._oldest_s = min(self._oldest_s, warm_s, damp_s)
        return True


class Mixing:
    """A zone's air while readings are taken in.

    A moment is mixed once, when all its readings are in: the second half of a message has air of its own, so
    what the first half would have given with an older value is replaced in any case.
    """

    def __init__(
        self, air: ZoneAir, fresh_s: float, judged_to_c: float, known: Against | None = None
    ) -> None:
        self._heard = dict(air.heard)
        fits = known is not None and known.heard is air.heard
        self.against = known.copied(self._heard) if known is not None and fits else Against(self._heard)
        self._before, self._last = air.samples, air.last
        self._samples: list[Sample] = []
        self._fresh_s, self._judged_to_c = fresh_s, judged_to_c
        self._told: list[str] = []  # since the last mixing

    def take(self, readings: Iterable[Reading]) -> None:
        """Believed, current readings of the zone, in order."""
        heard, told, fresh_s, waiting = self._heard, self._told, self._fresh_s, None
        for reading in readings:
            (_, name, quantity), time_s, _, value, _, _ = reading
            warm_s, celsius, damp_s, humidity, _ = heard.get(name, NOTHING_HEARD)
            if quantity is _WARMTH:
                warm_s, celsius = time_s, value
            elif quantity is _HUMIDITY:
                # Wet sensors read past saturation; the air itself does not go there.
                damp_s, humidity = time_s, min(max(value, 0.0), 1.0)
            else:
                continue
            apart_s = abs(warm_s - damp_s)
            if waiting is not None and not (waiting == time_s and apart_s <= min(PAIR_S, fresh_s)):
                self._mix(waiting)
                waiting = None
            heard[name] = _tuple(Heard, (warm_s, celsius, damp_s, humidity, math.nan))
            told.append(name)
            if apart_s <= PAIR_S:
                waiting = time_s
        if waiting is not None:
            self._mix(waiting)
        self.against.unmixed(told)
        told.clear()

    def air(self) -> ZoneAir:
        """The air with all that was taken in."""
        samples = (*self._before, *self._samples) if self._samples else self._before
        return ZoneAir(self._heard, samples[-KEEP_SAMPLES:], self._last)

    def _mix(self, now_s: float) -> None:
        """The air at the moment of a reading, all of whose readings are in."""
        last = self._last
        if last is not None and now_s < last.time_s:
            return
        self.against.told(self._told, now_s, self._fresh_s, self._judged_to_c)
        self._told.clear()
        sample = self.against.sample(now_s, self._fresh_s, self._judged_to_c)
        if sample is None:
            return
        if last is None or now_s > last.time_s:
            self._samples.append(sample)
        elif self._samples and self._samples[-1].time_s == now_s:
            self._samples[-1] = sample
        elif not self._samples and self._before and self._before[-1].time_s == now_s:
            self._before, self._samples = self._before[:-1], [sample]
        self._last = sample


def assumed(heard: dict[str, Heard], now_s: float, fresh_s: float, judged_to_c: float) -> Sample | None:
    """The air that a zone is taken to hold: of the sensors heard lately the one against us, never a mean.

    It has the humidity of the most humid of them and the water of the wettest, at the temperature at which
    both are so; that lies between the temperatures of these two. So every question gets at least as bad an
    answer as from any one of them: the limits of humidity and dew point, the clocks of packages, and a body
    that follows this air, whose margin in the long run is the least that any of them gives. (Taking the
    coldest temperature with the wettest air would be harder still, but is an air that none of them reads.)
    """
    return Against(heard).sample(now_s, fresh_s, judged_to_c)


def _vapour_pa(one: Heard) -> float:
    _, celsius, _, humidity, known = one
    return known if known == known else vapour_of(celsius, max(humidity, DRIEST_FRAC))


def forget(air: ZoneAir, sensor: str, fresh_s: float, judged_to_c: float) -> ZoneAir:
    """Leave a sensor that is no longer believed out of the zone's air, and out of what is shown of it."""
    if sensor not in air.heard:
        return air
    heard = {name: one for name, one in air.heard.items() if name != sensor}
    last_s = max((min(one.temperature_time_s, one.humidity_time_s) for one in heard.values()), default=None)
    return replace(
        air, heard=heard, last=None if last_s is None else assumed(heard, last_s, fresh_s, judged_to_c)
    )
