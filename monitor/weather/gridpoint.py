"""Reads the gridpoint forecast of the US National Weather Service (JSON-LD with ISO 8601 intervals)."""

import json
import re
from typing import Any

import numpy as np

from monitor.outlook.hourly import HOUR_S, FloatArray
from monitor.weather.answer_reading import reply
from monitor.weather.fetch import Fetcher, FetchState
from monitor.weather.provider import (
    LONGEST_AHEAD_H,
    MALFORMED,
    ForecastPlace,
    OutdoorForecast,
    SchemaError,
    Steps,
    Terms,
    WeatherReply,
    WeatherState,
    checked_place,
    hourly,
    time_of,
)

PROVIDER = "us-nws"
POINT_GOOD_S = 14 * 86_400.0  # which grid square a place lies in changes seldom
_DURATION = re.compile(r"^P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?)?$")
_CELSIUS, _PERCENT, _KMH, _MS = "degC", "percent", "km_h-1", "m_s-1"


class Gridpoint:
    """Two requests: which grid square the place lies in (seldom), then its forecast."""

    id = PROVIDER

    def __init__(self, place: ForecastPlace, terms: Terms, fetcher: Fetcher) -> None:
        place = checked_place(place, terms)
        self._terms, self._fetcher = terms, fetcher
        self._point_url = f"{terms.base_url}/points/{place.latitude_deg},{place.longitude_deg}"

    def forecast(self, now_s: float) -> WeatherReply:
        """The newest forecast, or the last one kept."""
        point = self._fetcher.get(self._point_url, now_s, POINT_GOOD_S, "application/ld+json")
        if point.state is FetchState.MISSING:
            return reply(self._terms, self._fetcher, self._point_url, point, now_s, parse)
        try:
            url = grid_url(point.body, self._terms.base_url)
        except SchemaError as error:
            self._fetcher.spoiled(self._point_url, now_s, self._terms.least_interval_s)
            credit = self._terms.attribution
            return WeatherReply(WeatherState.BROKEN, None, point.fetched_s, str(error), credit)
        fetched = self._fetcher.get(url, now_s, self._terms.least_interval_s, "application/ld+json")
        return reply(self._terms, self._fetcher, url, fetched, now_s, parse)


def grid_url(body: bytes, base_url: str) -> str:
    """Where the forecast of a point's square is; raises SchemaError."""
    try:
        content = json.loads(body)
        url = content.get("properties", content)["forecastGridData"]
    except MALFORMED as error:
        raise SchemaError(PROVIDER, "forecastGridData", error) from error
    if not isinstance(url, str) or not url.startswith(base_url):
        raise SchemaError(PROVIDER, "forecastGridData", url)  # never follow it to another host
    return url


def parse(body: bytes) -> OutdoorForecast:
    """The forecast in an answer; raises SchemaError."""
    try:
        content = json.loads(body)
        properties = content.get("properties", content)
        issued_s = time_of(PROVIDER, properties["updateTime"])
        air = _layer(properties, "temperature", _CELSIUS)
        dew = _layer(properties, "dewpoint", _CELSIUS)
        humidity = _layer(properties, "relativeHumidity", _PERCENT, needed=False)
        wind = _layer(properties, "windSpeed", _KMH, needed=False)
        cover = _layer(properties, "skyCover", _PERCENT, needed=False)
    except MALFORMED as error:
        raise SchemaError(PROVIDER, type(error).__name__, error) from error
    first, last = max(air[0][0], dew[0][0]), min(air[0][-1], dew[0][-1])
    if last - first > LONGEST_AHEAD_H * HOUR_S:
        raise SchemaError(PROVIDER, "validTime", f"{(last - first) / HOUR_S:.0f} h")
    times = np.arange(first, last + 1.0, HOUR_S)
    damp = _at(times, humidity) / 100.0
    cloud = _at(times, cover) / 100.0
    steps = Steps(times, _at(times, air), _at(times, dew), damp, _at(times, wind), cloud)
    return hourly(PROVIDER, issued_s, steps)


Layer = tuple[FloatArray, FloatArray]


def _layer(properties: dict[str, Any], name: str, unit: str, *, needed: bool = True) -> Layer:
    """A layer's values at every hour of their intervals."""
    if not needed and not properties.get(name, {}).get("values"):
        return np.empty(0), np.empty(0)
    layer = properties[name]
    said = str(layer.get("uom", "")).rpartition(":")[2]
    factor = {(_KMH, _KMH): 1.0 / 3.6, (_KMH, _MS): 1.0}.get((unit, said), 1.0)
    if said != unit and (unit, said) != (_KMH, _MS):
        raise SchemaError(PROVIDER, f"{name}.uom", said)
    times: list[float] = []
    values: list[float] = []
    for item in layer["values"]:
        start, _, length = str(item["validTime"]).partition("/")
        begin_s = time_of(PROVIDER, start)
        value = np.nan if item["value"] is None else float(item["value"]) * factor
        for n in range(_hours(name, length)):
            times.append(begin_s + n * HOUR_S)
            values.append(value)
        if len(times) > 2 * LONGEST_AHEAD_H:
            raise SchemaError(PROVIDER, f"{name}.values", f"{len(times)} hours")
    if not times:
        raise SchemaError(PROVIDER, f"{name}.values", "none")
    return np.array(times), np.array(values)


def _hours(name: str, text: str) -> int:
    found = _DURATION.match(text)
    if found is None:
        raise SchemaError(PROVIDER, f"{name}.validTime", text)
    days, hours, minutes = (int(part or 0) for part in found.groups())
    whole = max(days * 24 + hours + minutes // 60, 1)
    if whole > LONGEST_AHEAD_H:
        raise SchemaError(PROVIDER, f"{name}.validTime", text)
    return whole


def _at(times: FloatArray, layer: Layer) -> FloatArray:
    known = np.isfinite(layer[1])
    if not known.any():
        return np.full(times.size, np.nan)
    return np.interp(times, layer[0][known], layer[1][known], left=np.nan, right=np.nan)
