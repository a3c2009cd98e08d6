"""What stands for a storage place now: its sensors, else what a person has read since they last spoke."""

import math
from typing import NamedTuple

from monitor.core.shop import Shop, ZoneFacts
from monitor.core.state import CoreState
from monitor.core.zone_air import Sample, Warmth, speaking, temperature_heard

HEATED = frozenset({"oven", "quiver"})  # judged by their temperature alone


class StoreNow(NamedTuple):
    """A place's temperature and humidity; None: nobody knows. `checked_s`: when a person read what stands.

    `last_c` is the newest temperature that was measured or read, however long ago.
    """

    temperature_c: float | None = None
    humidity_frac: float | None = None
    checked_s: float | None = None
    last_c: float | None = None
    last_s: float | None = None
    hottest_c: float | None = None  # of its sensors, where they speak


def store_now(shop: Shop, state: CoreState, zone: ZoneFacts, now_s: float) -> StoreNow:
    """What stands for a zone. A person's reading older than the sensors' last one never speaks."""
    fresh_s = shop.fresh_s[zone.id]
    heard = temperature_heard(state.heard[zone.id], now_s - fresh_s)
    warm = speaking(heard, now_s, fresh_s)
    air, store = state.air.get(zone.id), zone.store
    sensed = air is not None if zone.kind not in HEATED else warm is not None
    warm_s, warm_c = _last_sensed(heard, state.spoken.get(zone.id))
    sensed_s = warm_s if zone.kind in HEATED else _last_damp_s(state, zone)
    read = store.checked_s is not None and 0.0 <= now_s - store.checked_s < store.speaks_s
    speaks = read and not sensed and store.checked_s is not None and store.checked_s > sensed_s
    humidity = air.relative_humidity_frac if air is not None else (store.checked_rh_frac if speaks else None)
    temperature = warm.coldest_c if warm is not None else (store.checked_c if speaks else None)
    last_s, last_c = warm_s, warm_c
    if store.checked_c is not None and store.checked_s is not None and store.checked_s > warm_s:
        last_s, last_c = store.checked_s, store.checked_c
    return StoreNow(
        temperature_c=temperature,
        humidity_frac=humidity,
        checked_s=store.checked_s if speaks else None,
        last_c=last_c,
        last_s=None if last_c is None else last_s,
        hottest_c=temperature if warm is None else warm.hottest_c,
    )


def judged_store(shop: Shop, state: CoreState, zone: ZoneFacts, now_s: float) -> StoreNow:
    """What of a zone its limits look at: of one that is not heated and that nobody has read, its humidity."""
    if zone.kind in HEATED or zone.store.checked_s is not None:
        return store_now(shop, state, zone, now_s)
    air = state.air.get(zone.id)
    return StoreNow(humidity_frac=None if air is None else air.relative_humidity_frac)


def _last_sensed(heard: Warmth | None, spoken: Sample | None) -> tuple[float, float | None]:
    """When a sensor last told the temperature, and what it was; also of one that is no longer believed."""
    if spoken is not None and (heard is None or spoken.time_s > heard.time_s):
        return spoken.time_s, spoken.temperature_c
    return (float("-inf"), None) if heard is None else (heard.time_s, heard.coldest_c)


def _last_damp_s(state: CoreState, zone: ZoneFacts) -> float:
    """When a sensor last told the humidity; also one that is no longer believed."""
    heard, spoken = state.heard[zone.id].heard.values(), state.spoken.get(zone.id)
    told = [one.humidity_time_s for one in heard]
    if spoken is not None and math.isfinite(spoken.relative_humidity_frac):
        told.append(spoken.time_s)
    return max(told, default=float("-inf"))
