"""Makes a site's weather: its provider from the settings, and the outdoor air that the outlook works with."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.model.errors import Fault, InputError
from monitor.model.place import Site
from monitor.outlook.hourly import AHEAD_H, HOUR_S, FloatArray, OutdoorAir
from monitor.outlook.skill import nearest_issue, skill_from_mapping, with_site_sensor, with_usual_errors
from monitor.settings.reference import load_toml
from monitor.settings.schema import Weather
from monitor.weather.fetch import Fetcher
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.gridpoint import Gridpoint
from monitor.weather.locationforecast import Locationforecast
from monitor.weather.provider import (
    ForecastPlace,
    NoProvider,
    OutdoorForecast,
    Terms,
    WeatherProvider,
    terms_from_mapping,
)

PROVIDERS: Mapping[str, Callable[[ForecastPlace, Terms, Fetcher], WeatherProvider]] = {
    Locationforecast.id: Locationforecast,
    Gridpoint.id: Gridpoint,
}


def known_terms() -> dict[str, Terms]:
    """Every provider's terms, by id."""
    return terms_from_mapping(load_toml("weather/providers.toml"))


def provider_for(
    weather: Weather | None, site: Site, cache: Path, terms: Mapping[str, Terms] | None = None
) -> WeatherProvider:
    """The provider a site has chosen; raises InputError where the choice cannot be used.

    It is asked no more often than `every_s` of the settings says, nor than its own terms allow.
    """
    if weather is None or weather.provider == NoProvider.id:
        return NoProvider()
    terms = known_terms() if terms is None else terms
    if weather.provider not in PROVIDERS or weather.provider not in terms:
        choices = ", ".join(sorted({*PROVIDERS, NoProvider.id}))
        raise InputError([Fault("weather.provider", repr(weather.provider), f"use one of: {choices}")])
    if site.latitude_deg is None or site.longitude_deg is None:
        fix = f"site {site.id!r} needs latitude_deg and longitude_deg for a forecast"
        raise InputError([Fault("sites", "no coordinates", fix)])
    place = ForecastPlace(site.latitude_deg, site.longitude_deg, site.altitude_m, weather.contact or "")
    fetcher = Fetcher(cache / weather.provider, f"dryshift ({place.contact})")
    own = terms[weather.provider]
    wished = replace(own, least_interval_s=max(own.least_interval_s, weather.every_s))
    return PROVIDERS[weather.provider](place, wished, fetcher)


def outdoor_air(
    site: str,
    start_s: float,
    rows: int,
    measured: tuple[FloatArray, FloatArray] | None,
    archive: ForecastArchive,
    forecast: OutdoorForecast | None,
) -> OutdoorAir | None:
    """Outdoor air beside a history of `rows` hours, and 48 hours on; None where nothing is known of it.

    The past is what the site's own outdoor sensor measured (temperature, vapour pressure), else what was
    forecast for the next hour. Forecasts, old and new, are moved by what the sensor said of their bias.
    An hour of which no forecast was kept (weather switched on late, an archive lost) is given what was
    measured, as wrong as forecasts usually are.
    """
    issued = archive.issued(site, start_s, rows)
    nearest = [nearest_issue(column) for column in issued]
    nothing = np.full(rows, np.nan)
    seen = (nothing, nothing) if measured is None else measured
    past = [np.where(np.isfinite(m), m, n) for m, n in zip(seen, nearest, strict=True)]
    ahead = [np.full(AHEAD_H, np.nan)] * 2
    if forecast is not None:
        air, pressure = forecast.on(start_s + rows * HOUR_S, AHEAD_H)
        now = OutdoorAir(
            seen[0],
            seen[1],
            np.concatenate([issued[0][:-1], air[None]]),
            np.concatenate([issued[1][:-1], pressure[None]]),
        )
        moved = with_site_sensor(now)
        assert moved.issued_temperature_c is not None
        assert moved.issued_pressure_pa is not None
        ahead = [moved.issued_temperature_c[-1], moved.issued_pressure_pa[-1]]
    both = [np.concatenate([p, a]) for p, a in zip(past, ahead, strict=True)]
    if not any(np.isfinite(column).any() for column in both):
        return None
    skill = skill_from_mapping(load_toml("outlook.toml"))
    learnt = with_usual_errors(OutdoorAir(seen[0], seen[1], *issued), site, start_s, skill)
    return OutdoorAir(both[0], both[1], learnt.issued_temperature_c, learnt.issued_pressure_pa)
