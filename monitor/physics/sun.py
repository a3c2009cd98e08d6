"""How much sun falls on a level surface: where it stands, the clear sky, and what clouds leave of it."""

import numpy as np

from monitor.physics.elementwise import FloatArray, check_range


def sun_elevation_sine(latitude_deg: float, longitude_deg: float, time_s: FloatArray) -> FloatArray:
    """Sine of the height of the sun's centre; below the horizon negative.

    Arguments:
        latitude_deg: -90 to 90, north positive.
        longitude_deg: -180 to 180, east positive.
        time_s: epoch seconds UTC, any shape.
    Returns:
        sine, -1 to 1, shape of time_s.
    Raises:
        RangeError: latitude or longitude outside its range.
    Reference:
        Spencer 1971, Search 2(5), 172: declination and equation of time as Fourier series of the day of the
        year (declination within 0.0006 rad); as given in Iqbal, An Introduction to Solar Radiation, 1983,
        eqs. 1.3.1 and 1.4.1.
    """
    check_range("latitude_deg", latitude_deg, -90.0, 90.0, "deg")
    check_range("longitude_deg", longitude_deg, -180.0, 180.0, "deg")
    day = (time_s / 86_400.0 + 0.25) % 365.2425  # 1970-01-01 began a year; leap days drift by less than one
    angle = 2.0 * np.pi * day / 365.2425
    declination = (
        0.006918
        - 0.399912 * np.cos(angle)
        + 0.070257 * np.sin(angle)
        - 0.006758 * np.cos(2.0 * angle)
        + 0.000907 * np.sin(2.0 * angle)
        - 0.002697 * np.cos(3.0 * angle)
        + 0.00148 * np.sin(3.0 * angle)
    )
    minutes = 229.18 * (
        0.000075
        + 0.001868 * np.cos(angle)
        - 0.032077 * np.sin(angle)
        - 0.014615 * np.cos(2.0 * angle)
        - 0.040849 * np.sin(2.0 * angle)
    )
    solar_h = (time_s % 86_400.0) / 3_600.0 + longitude_deg / 15.0 + minutes / 60.0
    turn = np.radians(15.0 * (solar_h - 12.0))
    latitude = np.radians(latitude_deg)
    sine: FloatArray = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(
        declination
    ) * np.cos(turn)
    return sine


def clear_sky_wm2(elevation_sine: FloatArray) -> FloatArray:
    """Global radiation on a level surface under a cloudless sky.

    Arguments:
        elevation_sine: sine of the sun's elevation, -1 to 1, any shape.
    Returns:
        W/m², at least 0, same shape.
    Raises:
        RangeError: a sine outside its range.
    Reference:
        Haurwitz 1945, Journal of Meteorology 2, 154, doi 10.1175/1520-0469(1945)002<0154:IIRTCT>2.0.CO;2:
        1098 sin(h) exp(-0.059 / sin(h)), as corrected in Reno, Hansen, Stein 2012, SAND2012-2389, eq. 8.
    """
    check_range("elevation_sine", elevation_sine, -1.0, 1.0, "1")
    high = np.maximum(elevation_sine, 1e-3)
    clear: FloatArray = np.where(elevation_sine > 1e-3, 1098.0 * high * np.exp(-0.059 / high), 0.0)
    return clear


def under_clouds_wm2(clear_wm2: FloatArray, cover_frac: FloatArray) -> FloatArray:
    """What a cover of cloud leaves of it.

    Arguments:
        clear_wm2: under a cloudless sky, W/m², at least 0.
        cover_frac: of the whole sky, 0 to 1; NaN gives NaN.
    Returns:
        W/m², broadcast shape.
    Raises:
        RangeError: a cover outside its range.
    Reference:
        Kasten and Czeplak 1980, Solar Energy 24, 177, doi 10.1016/0038-092X(80)90391-6: 1 - 0.75 N^3.4, N in
        parts of the whole sky (ten years of hours at Hamburg).
    """
    check_range("cover_frac", cover_frac, 0.0, 1.0, "/")
    left: FloatArray = clear_wm2 * (1.0 - 0.75 * cover_frac**3.4)
    return left
