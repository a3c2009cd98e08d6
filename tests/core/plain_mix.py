"""The mixing of a zone's air written plainly and slowly: every reading mixes all sensors anew."""

from collections.abc import Sequence

from monitor.core.mixing import PAIR_S
from monitor.core.zone_air import Heard, Sample, ZoneAir
from monitor.model.reading import Quantity, Reading
from monitor.physics.saturation import dew_point_c, vapour_pressure_pa

NOT_YET = Heard(-1e18, 0.0, -1e18, 0.0)
DRIEST_FRAC = 0.001


def plain_hear(air: ZoneAir, readings: Sequence[Reading], fresh_s: float, judged_to_c: float) -> ZoneAir:
    """What `hear` must give: the air after each reading, the later one where two are of the same moment."""
    heard, samples, last = dict(air.heard), list(air.samples), air.last
    for reading in readings:
        one = heard.get(reading.key.source, NOT_YET)
        if reading.key.quantity is Quantity.AIR_TEMPERATURE:
            one = one._replace(temperature_time_s=reading.time_s, temperature_c=reading.value)
        elif reading.key.quantity is Quantity.RELATIVE_HUMIDITY:
            one = one._replace(
                humidity_time_s=reading.time_s, humidity_frac=min(max(reading.value, 0.0), 1.0)
            )
        else:
            continue
        heard[reading.key.source] = one
        if abs(one.temperature_time_s - one.humidity_time_s) > PAIR_S:
            continue
        sample = plain_mix(list(heard.values()), reading.time_s, fresh_s, judged_to_c)
        if sample is None:
            continue
        if last is None or sample.time_s > last.time_s:
            samples.append(sample)
            last = sample
        elif sample.time_s == last.time_s:
            if samples and samples[-1].time_s == sample.time_s:
                samples[-1] = sample
            last = sample
    return ZoneAir(heard, tuple(samples), last)


class PlainMixing:
    """As `Mixing`, with nothing known before."""

    against = None

    def __init__(self, air: ZoneAir, fresh_s: float, judged_to_c: float, _: object = None) -> None:
        self._air, self._fresh_s, self._judged_to_c = air, fresh_s, judged_to_c

    def take(self, readings: Sequence[Reading]) -> None:
        self._air = plain_hear(self._air, readings, self._fresh_s, self._judged_to_c)

    def air(self) -> ZoneAir:
        return self._air


def plain_mix(told: Sequence[Heard], now_s: float, fresh_s: float, judged_to_c: float) -> Sample | None:
    """The air against us of the sensors heard lately."""
    fresh = [
        one
        for one in told
        if now_s - one.temperature_time_s <= fresh_s and now_s - one.humidity_time_s <= fresh_s
    ]
    if not fresh:
        return None
    humidity = max(one.humidity_frac for one in fresh)
    if max(one.temperature_c for one in fresh) > judged_to_c:
        return Sample(now_s, min(one.temperature_c for one in fresh), humidity)
    vapours = [vapour_pressure_pa(one.temperature_c, max(one.humidity_frac, DRIEST_FRAC)) for one in fresh]
    wettest = fresh[vapours.index(max(vapours))]
    if wettest.humidity_frac == humidity:
        return Sample(now_s, wettest.temperature_c, humidity)
    return Sample(now_s, dew_point_c(max(vapours) / max(humidity, DRIEST_FRAC)), humidity)
