"""Puts the sun beside a site's outdoor air: as measured, and as the forecast of cloud lets it through."""

from dataclasses import replace

import numpy as np

from monitor.model.place import Site
from monitor.outlook.hourly import AHEAD_H, HOUR_S, FloatArray, OutdoorAir, ahead
from monitor.outlook.skill import nearest_issue
from monitor.physics.sun import clear_sky_wm2, sun_elevation_sine, under_clouds_wm2
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import OutdoorForecast


def with_sun(
    air: OutdoorAir,
    site: Site,
    start_s: float,
    measured_wm2: FloatArray | None,
    archive: ForecastArchive,
    forecast: OutdoorForecast | None,
) -> OutdoorAir:
    """The air with radiation on a level surface; as it is where place or cloud are not told.

    The past is what a pyranometer measured, else what was forecast for the next hour.
    """
    if site.latitude_deg is None or site.longitude_deg is None:
        return air
    rows = air.temperature_c.size - AHEAD_H
    times = start_s + np.arange(rows + AHEAD_H) * HOUR_S
    quarters = times[:, None] - HOUR_S * (np.arange(4) + 0.5) / 4.0  # of the hour that ends then
    sine = sun_elevation_sine(site.latitude_deg, site.longitude_deg, quarters)
    clear = clear_sky_wm2(sine).mean(axis=1)
    cover = archive.issued_cover(site.id, start_s, rows)
    if forecast is not None:
        cover[-1] = forecast.cover_on(start_s + rows * HOUR_S, AHEAD_H)
    issued = under_clouds_wm2(ahead(clear, rows), np.clip(cover, 0.0, 1.0))
    past = nearest_issue(issued)
    if measured_wm2 is not None:
        past = np.where(np.isfinite(measured_wm2), np.maximum(measured_wm2, 0.0), past)
    whole = np.concatenate([past, issued[-1]])
    return replace(air, sun_wm2=whole, issued_sun_wm2=issued) if np.isfinite(whole).any() else air
