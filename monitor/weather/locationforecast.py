"""Reads the world-wide Locationforecast 2.0 of MET Norway (GeoJSON, product `compact`)."""

import json
from typing import Any

import numpy as np

from monitor.weather.answer_reading import reply
from monitor.weather.fetch import Fetcher
from monitor.weather.provider import (
    MALFORMED,
    ForecastPlace,
    OutdoorForecast,
    SchemaError,
    Steps,
    Terms,
    WeatherReply,
    checked_place,
    hourly,
    time_of,
)

PROVIDER = "met-norway"


class Locationforecast:
    """One request per site; the answer is good until it expires."""

    id = PROVIDER

    def __init__(self, place: ForecastPlace, terms: Terms, fetcher: Fetcher) -> None:
        place = checked_place(place, terms)
        self._terms, self._fetcher = terms, fetcher
        self._url = (
            f"{terms.base_url}/compact?altitude={place.altitude_m:.0f}"
            f"&lat={place.latitude_deg}&lon={place.longitude_deg}"
        )

    def forecast(self, now_s: float) -> WeatherReply:
        """The newest forecast, or the last one kept."""
        fetched = self._fetcher.get(self._url, now_s, self._terms.least_interval_s)
        return reply(self._terms, self._fetcher, self._url, fetched, now_s, parse)


def parse(body: bytes) -> OutdoorForecast:
    """The forecast in an answer; raises SchemaError."""
    try:
        properties = json.loads(body)["properties"]
        issued_s = time_of(PROVIDER, properties["meta"]["updated_at"])
        series = [
            (time_of(PROVIDER, step["time"]), step["data"]["instant"]["details"])
            for step in properties["timeseries"]
        ]
        units = properties["meta"].get("units", {})
        steps = Steps(
            np.array([time_s for time_s, _ in series]),
            _column(series, "air_temperature"),
            _column(series, "dew_point_temperature", missing=True),
            _column(series, "relative_humidity", missing=True) / 100.0,
            _column(series, "wind_speed", missing=True),
            _column(series, "cloud_area_fraction", missing=True) / 100.0,
        )
    except MALFORMED as error:
        raise SchemaError(PROVIDER, type(error).__name__, error) from error
    if units.get("air_temperature", "celsius") != "celsius":
        raise SchemaError(PROVIDER, "unit of air_temperature", units["air_temperature"])
    if units.get("cloud_area_fraction", "%") != "%":
        raise SchemaError(PROVIDER, "unit of cloud_area_fraction", units["cloud_area_fraction"])
    return hourly(PROVIDER, issued_s, steps)


def _column(
    series: list[tuple[float, dict[str, Any]]], name: str, *, missing: bool = False
) -> np.ndarray[Any, np.dtype[np.float64]]:
    if missing:
        return np.array([float(details.get(name, np.nan)) for _, details in series])
    return np.array([float(details[name]) for _, details in series])
