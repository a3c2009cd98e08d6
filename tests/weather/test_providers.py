"""One conformance suite for every forecast provider, on answers composed from their published schemas."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.model.errors import InputError
from monitor.model.place import Site
from monitor.physics.saturation import saturation_pressure_water_pa, vapour_pressure_pa
from monitor.settings.schema import Weather
from monitor.weather.fetch import Fetcher
from monitor.weather.gridpoint import Gridpoint
from monitor.weather.gridpoint import parse as parse_grid
from monitor.weather.locationforecast import Locationforecast
from monitor.weather.locationforecast import parse as parse_location
from monitor.weather.provider import ForecastPlace, NoProvider, SchemaError, WeatherProvider, WeatherState
from monitor.weather.site import PROVIDERS, known_terms, provider_for
from tests.weather.station import Answer, Station, changed, recording, running

NOW_S = 1_788_890_400.0  # 2026-09-08 18:00 UTC
PLACE = ForecastPlace(54.90001, -1.40001, 6.0, "lead@example.org")
DOCUMENTS = {
    "met-norway": {"/compact": "locationforecast_compact.json"},
    "us-nws": {"/points": "gridpoint_points.json", "/gridpoints": "gridpoint_grid.json"},
}
Change = Callable[[dict[str, Any]], None]


@contextmanager
def service(kind: str, tmp_path: Path) -> Iterator[tuple[Station, WeatherProvider]]:
    def good(path: str, _: dict[str, str]) -> Answer:
        name = next(name for start, name in DOCUMENTS[kind].items() if path.startswith(start))
        return Answer(200, {"Content-Type": "application/geo+json"}, recording(name, station.base_url))

    with running(good) as station:
        terms = replace(known_terms()[kind], base_url=station.base_url)
        yield station, PROVIDERS[kind](PLACE, terms, Fetcher(tmp_path, "dryshift (lead@example.org)"))


@pytest.fixture(params=sorted(PROVIDERS))
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_every_provider_has_terms_and_a_recording() -> None:
    assert set(PROVIDERS) == set(known_terms()) == set(DOCUMENTS)


def test_a_good_answer_gives_hourly_air_for_two_days_with_its_credit(kind: str, tmp_path: Path) -> None:
    with service(kind, tmp_path) as (_, provider):
        reply = provider.forecast(NOW_S)
    assert (provider.id, reply.state, reply.reason) == (kind, WeatherState.GOOD, "")
    assert reply.attribution.startswith("Weather data from ")
    forecast = reply.forecast
    assert forecast is not None
    assert (np.diff(forecast.times_s) == 3600.0).all()
    assert (forecast.times_s % 3600.0 == 0.0).all()
    air, pressure = forecast.on(NOW_S + 3600.0, 48)
    assert np.isfinite(air).all()
    assert np.isfinite(pressure).all()
    assert (pressure <= saturation_pressure_water_pa(air) * 1.0001).all()
    assert NOW_S - 3600.0 < forecast.issued_s < NOW_S


def test_it_asks_with_a_contact_and_coordinates_no_finer_than_wished(kind: str, tmp_path: Path) -> None:
    with service(kind, tmp_path) as (station, provider):
        provider.forecast(NOW_S)
        path, headers = station.asked[0]
    assert "54.9" in path
    assert "54.90001" not in path
    assert "lead@example.org" in headers["User-Agent"]


def test_it_asks_no_more_often_than_its_terms_say(kind: str, tmp_path: Path) -> None:
    with service(kind, tmp_path) as (station, provider):
        for minute in range(29):
            provider.forecast(NOW_S + 60.0 * minute)
        assert len(station.asked) == len(DOCUMENTS[kind])


def test_it_asks_no_more_often_than_the_settings_say(kind: str, tmp_path: Path) -> None:
    with service(kind, tmp_path / "direct") as (station, _):
        terms = {kind: replace(known_terms()[kind], base_url=station.base_url)}
        weather = Weather(site="ferrymoor", provider=kind, contact="lead@example.org", every_s=3 * 3600.0)
        provider = provider_for(weather, SITE, tmp_path, terms)
        for hour in (0.0, 1.0, 2.0, 2.9):
            assert provider.forecast(NOW_S + 3600.0 * hour).state is WeatherState.GOOD
        assert len(station.asked) == len(DOCUMENTS[kind])
        provider.forecast(NOW_S + 3.0 * 3600.0)
        assert len(station.asked) == len(DOCUMENTS[kind]) + 1


@pytest.mark.parametrize("status", [403, 404, 429, 500, 503])
def test_a_provider_that_is_away_says_so_and_the_last_forecast_is_used(
    kind: str, status: int, tmp_path: Path
) -> None:
    with service(kind, tmp_path) as (station, provider):
        good = station.answer
        station.answer = lambda *_: Answer(status)
        nothing = provider.forecast(NOW_S)
        assert (nothing.state, nothing.forecast) == (WeatherState.AWAY, None)
        assert str(status) in nothing.reason
        station.answer = good
        assert provider.forecast(NOW_S + 3600.0).state is WeatherState.GOOD
        station.answer = lambda *_: Answer(status)
        kept = provider.forecast(NOW_S + 3 * 3600.0)
        assert kept.state is WeatherState.KEPT
        assert kept.forecast is not None
        assert "an earlier forecast is in use" in kept.reason
        old = provider.forecast(NOW_S + 40 * 3600.0)
        assert (old.state, old.forecast) == (WeatherState.AWAY, None)


BROKEN: dict[str, dict[str, Change]] = {
    "met-norway": {
        "no properties": lambda c: c.pop("properties"),
        "no series": lambda c: c["properties"].pop("timeseries"),
        "empty series": lambda c: c["properties"].update(timeseries=[]),
        "no temperature": lambda c: c["properties"]["timeseries"][3]["data"]["instant"]["details"].pop(
            "air_temperature"
        ),
        "no humidity": lambda c: c["properties"]["timeseries"][3]["data"]["instant"]["details"].pop(
            "relative_humidity"
        ),
        "kelvin": lambda c: c["properties"]["meta"]["units"].update(air_temperature="kelvin"),
        "kelvin unsaid": lambda c: c["properties"]["timeseries"][3]["data"]["instant"]["details"].update(
            air_temperature=287.0
        ),
        "times backwards": lambda c: c["properties"]["timeseries"].reverse(),
        "a word for a number": lambda c: c["properties"]["timeseries"][3]["data"]["instant"][
            "details"
        ].update(air_temperature="mild"),
        "no update time": lambda c: c["properties"]["meta"].pop("updated_at"),
        "a number of 400 digits": lambda c: c["properties"]["timeseries"][3]["data"]["instant"][
            "details"
        ].update(air_temperature=10**400),
    },
    "us-nws": {
        "no layer": lambda c: c["properties"].pop("temperature"),
        "empty layer": lambda c: c["properties"]["dewpoint"].update(values=[]),
        "other unit": lambda c: c["properties"]["temperature"].update(uom="wmoUnit:degF"),
        "no interval": lambda c: c["properties"]["temperature"]["values"][2].update(
            validTime="2026-09-08T20:00:00+00:00"
        ),
        "a word for a number": lambda c: c["properties"]["dewpoint"]["values"][2].update(value="damp"),
        "no update time": lambda c: c["properties"].pop("updateTime"),
        "too hot": lambda c: c["properties"]["temperature"]["values"][2].update(value=288.0),
        "an interval of ten thousand years": lambda c: c["properties"]["temperature"]["values"][2].update(
            validTime="2026-09-08T20:00:00+00:00/P3650000D"
        ),
        "a value for every hour of a century": lambda c: c["properties"]["temperature"].update(
            values=[{"validTime": "2026-09-08T20:00:00+00:00/P29D", "value": 1.0}] * 1_200
        ),
        "layers that reach from the year 1 to the last": lambda c: [
            c["properties"][name].update(
                values=[
                    {"validTime": "0002-01-01T00:00:00+00:00/PT1H", "value": 1.0},
                    {"validTime": "9998-01-01T00:00:00+00:00/PT1H", "value": 1.0},
                ]
            )
            for name in ("temperature", "dewpoint")
        ],
    },
}
PARSERS = {"met-norway": parse_location, "us-nws": parse_grid}
FORECASTS = {"met-norway": "locationforecast_compact.json", "us-nws": "gridpoint_grid.json"}


@pytest.mark.parametrize(("kind_", "fault"), [(k, f) for k in BROKEN for f in BROKEN[k]])
def test_each_break_of_the_schema_is_named(kind_: str, fault: str) -> None:
    body = changed(recording(FORECASTS[kind_]), BROKEN[kind_][fault])
    with pytest.raises(SchemaError, match=kind_):
        PARSERS[kind_](body)


@pytest.mark.parametrize(
    "body", [b"", b"<html>maintenance</html>", b"[]", b"{}", b"null", b"\xff\xfe", b"[" * 200_000]
)
def test_what_is_no_forecast_at_all_is_refused(kind: str, body: bytes) -> None:
    with pytest.raises(SchemaError):
        PARSERS[kind](body)


def test_a_broken_answer_is_a_state_and_does_not_displace_the_last_good_one(
    kind: str, tmp_path: Path
) -> None:
    with service(kind, tmp_path) as (station, provider):
        good = station.answer
        station.answer = lambda *_: Answer(200, {}, b'{"properties": {}}')
        broken = provider.forecast(NOW_S)
        assert (broken.state, broken.forecast) == (WeatherState.BROKEN, None)
        asked = len(station.asked)
        provider.forecast(NOW_S + 60.0)
        assert len(station.asked) == asked  # not hammered
        station.answer = good
        assert provider.forecast(NOW_S + 2 * 3600.0).state is WeatherState.GOOD
        station.answer = lambda *_: Answer(200, {}, b'{"properties": {}}')
        kept = provider.forecast(NOW_S + 4 * 3600.0)
        assert kept.state is WeatherState.KEPT
        assert kept.forecast is not None


def test_a_forecast_that_says_it_was_made_next_year_is_none(kind: str, tmp_path: Path) -> None:
    """It would never be too old to be used."""
    with service(kind, tmp_path) as (_, provider):
        reply = provider.forecast(NOW_S - 400 * 86_400.0)
    assert (reply.state, reply.forecast) == (WeatherState.BROKEN, None)
    assert "ahead" in reply.reason


def test_humidity_is_turned_into_vapour_pressure_by_the_handbook_formula() -> None:
    forecast = parse_location(recording("locationforecast_compact.json"))
    # first step of the recording: 15.1 °C at 75 % over water (values composed by us)
    assert forecast.temperature_c[0] == pytest.approx(15.1)
    assert forecast.vapour_pressure_pa[0] == pytest.approx(vapour_pressure_pa(15.1, 0.75))


def test_intervals_of_the_grid_hold_until_the_next_and_wind_is_metres_a_second() -> None:
    forecast = parse_grid(recording("gridpoint_grid.json"))
    assert forecast.temperature_c[1] == forecast.temperature_c[2]  # one value for PT2H
    assert forecast.wind_ms == pytest.approx(5.0)  # 18 km/h


def test_steps_that_lie_too_far_apart_end_the_forecast() -> None:
    def widen(content: dict[str, Any]) -> None:
        series = content["properties"]["timeseries"]
        content["properties"]["timeseries"] = series[:30] + series[60:]

    forecast = parse_location(changed(recording("locationforecast_compact.json"), widen))
    assert forecast.times_s.size == 30


def test_the_grid_is_never_followed_to_another_host(tmp_path: Path) -> None:
    with service("us-nws", tmp_path) as (station, provider):
        body = recording("gridpoint_points.json", "http://elsewhere.example")
        station.answer = lambda *_: Answer(200, {}, body)
        reply = provider.forecast(NOW_S)
    assert reply.state is WeatherState.BROKEN
    assert "elsewhere.example" in reply.reason


SITE = Site(id="ferrymoor", name="Ferrymoor", latitude_deg=54.9, longitude_deg=-1.4)


def test_without_a_provider_the_state_is_none(tmp_path: Path) -> None:
    for weather in (None, Weather(site="ferrymoor")):
        provider = provider_for(weather, SITE, tmp_path)
        assert isinstance(provider, NoProvider)
        assert provider.forecast(NOW_S).state is WeatherState.NONE


@pytest.mark.parametrize(
    ("weather", "site", "message"),
    [
        (Weather(site="ferrymoor", provider="crystal-ball", contact="a@b.c"), SITE, "use one of: met-norway"),
        (Weather(site="ferrymoor", provider="met-norway"), SITE, "weather.contact"),
        (
            Weather(site="ferrymoor", provider="met-norway", contact="a@b.c"),
            Site(id="ferrymoor", name="F"),
            "needs latitude_deg",
        ),
    ],
)
def test_a_choice_that_cannot_work_is_refused_with_the_fix(
    weather: Weather, site: Site, message: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=message):
        provider_for(weather, site, tmp_path)


def test_the_two_kinds_are_the_ones_the_settings_can_name(tmp_path: Path) -> None:
    for name, made in (("met-norway", Locationforecast), ("us-nws", Gridpoint)):
        weather = Weather(site="ferrymoor", provider=name, contact="lead@example.org")
        assert isinstance(provider_for(weather, SITE, tmp_path), made)


def test_cloud_is_read_where_it_is_told_and_unknown_where_it_is_not() -> None:
    """`cloud_area_fraction` in % (Locationforecast 2.0) and `skyCover` in percent (gridpoint data)."""
    told = parse_location(recording("locationforecast_compact.json")).cloud_frac
    assert told is not None
    assert ((told >= 0.0) & (told <= 1.0)).all()
    assert (told > 0.3).any()

    def cover(value: object) -> Change:
        def change(content: dict[str, Any]) -> None:
            like = content["properties"]["temperature"]["values"]
            values = [{"validTime": item["validTime"], "value": value} for item in like]
            content["properties"]["skyCover"] = {"uom": "wmoUnit:percent", "values": values}

        return change

    body = recording("gridpoint_grid.json")
    for said, meant in ((40, 0.4), (None, None), (140, None)):
        found = parse_grid(changed(body, cover(said))).cloud_frac
        assert found is not None
        assert np.isnan(found).all() if meant is None else found == pytest.approx(meant)
    absent = parse_grid(body).cloud_frac
    assert absent is not None
    assert np.isnan(absent).all()
