"""Outdoor air for the outlook: what was issued is kept, and the site's own sensor takes out the bias."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.model.errors import InputError
from monitor.model.place import Site
from monitor.outlook.skill import corrected, nearest_issue
from monitor.physics.saturation import dew_point_c, saturation_pressure_water_pa
from monitor.weather.calendar_source import CalendarPlace, read_calendar
from monitor.weather.fetch import Fetcher
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import OutdoorForecast
from monitor.weather.radiation import with_sun
from monitor.weather.site import outdoor_air
from tests.weather.station import Answer, running

START_S = 1_788_739_200.0
H = 3600.0
ICS = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//EN\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20260101T000000Z\r\n"
    "SUMMARY:Early\r\nDTSTART:20260908T060000\r\nDTEND:20260908T140000\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
)


def made(first_s: float, air_c: float, dew_c: float = 8.0, hours: int = 72) -> OutdoorForecast:
    times = first_s + np.arange(hours) * H
    pressure = np.full(hours, saturation_pressure_water_pa(dew_c))
    return OutdoorForecast("x", first_s, times, np.full(hours, air_c), pressure, np.full(hours, np.nan))


def test_the_archive_gives_what_people_had_at_each_hour(tmp_path: Path) -> None:
    archive = ForecastArchive(tmp_path / "issued.db")
    archive.keep("yard", START_S + 0.5 * H, made(START_S, 10.0))
    archive.keep("yard", START_S + 6.5 * H, made(START_S + 6 * H, 12.0))
    archive.keep("other", START_S + 7.0 * H, made(START_S, 30.0))
    air, pressure = archive.issued("yard", START_S, 24)
    archive.close()
    assert np.isnan(air[0]).all()  # fetched half an hour later
    assert (air[1:7] == 10.0).all()
    assert (air[7:19] == 12.0).all()
    assert np.isnan(air[19]).all()  # older than twelve hours
    assert pressure[7] == pytest.approx(saturation_pressure_water_pa(8.0), rel=1e-6)


def cloudy(first_s: float, cover_frac: float) -> OutdoorForecast:
    plain = made(first_s, 10.0)
    return replace(plain, cloud_frac=np.full(plain.times_s.size, cover_frac))


def test_the_sun_is_what_the_forecast_of_cloud_lets_through_and_what_was_measured(tmp_path: Path) -> None:
    archive, rows = ForecastArchive(tmp_path / "issued.db"), 24 * 3
    site = Site(id="yard", name="Yard", timezone="Europe/London", latitude_deg=54.0, longitude_deg=-3.0)
    for hour in range(24, rows, 6):  # on the first day nothing was told of cloud
        archive.keep("yard", START_S + hour * H, cloudy(START_S + hour * H, 1.0))
    archive.keep("yard", START_S, made(START_S, 10.0))
    newest = cloudy(START_S + rows * H, 0.0)
    air = outdoor_air("yard", START_S, rows, None, archive, newest)
    assert air is not None
    told = with_sun(air, site, START_S, None, archive, newest)
    measured = np.full(rows, 123.0)
    known = with_sun(air, site, START_S, measured, archive, newest)
    nowhere = with_sun(air, replace_place(site), START_S, None, archive, newest)
    archive.close()
    assert told.sun_wm2 is not None
    assert told.issued_sun_wm2 is not None
    assert np.isnan(told.issued_sun_wm2[:24]).all()  # what was not told teaches nothing
    assert np.isnan(told.sun_wm2[:24]).all()
    day = told.sun_wm2.reshape(-1, 24)
    assert (day[2:, :4] == 0.0).all()  # nights in September
    assert day[3].max() == pytest.approx(4.0 * day[2].max(), rel=0.05)  # full cloud leaves a quarter
    assert 550.0 < day[3].max() < 700.0
    assert known.sun_wm2 is not None
    assert (known.sun_wm2[:rows] == 123.0).all()
    np.testing.assert_array_equal(known.sun_wm2[rows:], told.sun_wm2[rows:])
    assert nowhere.sun_wm2 is None


def replace_place(site: Site) -> Site:
    """The same, its place not entered."""
    return site.model_copy(update={"latitude_deg": None})


def test_old_issues_are_dropped(tmp_path: Path) -> None:
    archive = ForecastArchive(tmp_path / "issued.db")
    archive.keep("yard", START_S, made(START_S, 10.0))
    archive.keep("yard", START_S + 80 * 86_400.0, made(START_S, 10.0))
    air, _ = archive.issued("yard", START_S, 3)
    archive.close()
    assert np.isnan(air).all()


def test_the_site_sensor_moves_the_forecast_by_its_bias(tmp_path: Path) -> None:
    archive = ForecastArchive(tmp_path / "issued.db")
    rows = 24 * 21
    for hour in range(0, rows, 6):
        archive.keep("yard", START_S + hour * H, made(START_S + hour * H, 10.0, 8.0))
    measured = (np.full(rows, 11.5), np.full(rows, float(saturation_pressure_water_pa(7.0))))
    found = outdoor_air("yard", START_S, rows, measured, archive, made(START_S + rows * H, 10.0, 8.0))
    archive.close()
    assert found is not None
    assert found.temperature_c[:rows] == pytest.approx(11.5)
    # a week's bias, an eighth of it held back
    assert found.temperature_c[rows : rows + 48] == pytest.approx(11.5, abs=1.5 / 8.0)
    assert dew_point_c(found.vapour_pressure_pa[rows : rows + 48]) == pytest.approx(7.0, abs=1.0 / 8.0)
    assert found.issued_temperature_c is not None
    assert found.issued_temperature_c.shape == (rows, 48)
    assert found.issued_temperature_c[0] == pytest.approx(10.0)  # nobody knew of a bias then
    assert found.issued_temperature_c[-2] == pytest.approx(11.5, abs=1.5 / 8.0)


def test_without_a_sensor_the_past_is_what_was_forecast_for_the_next_hour(tmp_path: Path) -> None:
    archive = ForecastArchive(tmp_path / "issued.db")
    archive.keep("yard", START_S, made(START_S, 10.0))
    found = outdoor_air("yard", START_S, 6, None, archive, None)
    nothing = outdoor_air("elsewhere", START_S, 6, None, archive, None)
    archive.close()
    assert found is not None
    np.testing.assert_array_equal(found.temperature_c[1:6], 10.0)
    assert np.isnan(found.temperature_c[6:]).all()
    assert nothing is None


def test_a_lasting_bias_lasts_and_a_fresh_miss_fades() -> None:
    issued, nearest = np.full((168, 48), 10.0), np.full(168, 9.0)
    measured = nearest + 1.0
    measured[-1] += 2.4
    bias = (168.0 + 2.4) / (168.0 + 24.0)
    found = corrected(issued, measured, nearest, memory_h=12.0)[-1]
    assert found[11] == pytest.approx(10.0 + bias + (3.4 - bias) / np.e)
    assert found[47] == pytest.approx(10.0 + bias + (3.4 - bias) / np.e**4)
    nothing = np.full(168, np.nan)
    np.testing.assert_array_equal(corrected(issued, nothing, nearest), issued)


def test_what_was_not_known_then_moves_nothing() -> None:
    rng = np.random.default_rng(1)
    issued, measured = rng.normal(size=(300, 48)), rng.normal(size=300)
    nearest = nearest_issue(issued)
    whole = corrected(issued, measured, nearest)
    part = corrected(issued[:200], measured[:200], nearest[:200])
    np.testing.assert_allclose(whole[:200], part)


LONDON = ZoneInfo("Europe/London")


def test_a_calendar_is_read_from_a_file_or_an_address(tmp_path: Path) -> None:
    file = tmp_path / "shifts.ics"
    file.write_text(ICS, encoding="utf-8")
    fetcher = Fetcher(tmp_path / "cache", "dryshift")
    assert read_calendar(CalendarPlace(str(file), "yard", LONDON), fetcher, START_S).site == "yard"
    with running(lambda *_: Answer(200, {}, ICS.encode())) as station:
        place = CalendarPlace(station.base_url + "/shifts.ics", "yard", LONDON)
        read_calendar(place, fetcher, START_S)
        station.answer = lambda *_: Answer(200, {}, b"<html>sign in</html>")
        kept = read_calendar(place, fetcher, START_S + 2 * H)
        assert kept.events
        station.answer = lambda *_: Answer(500)
        assert read_calendar(place, fetcher, START_S + 9 * H).events == kept.events


def test_a_calendar_that_cannot_be_had_names_its_source(tmp_path: Path) -> None:
    fetcher = Fetcher(tmp_path / "cache", "dryshift")
    with pytest.raises(InputError, match=r"no-such\.ics"):
        read_calendar(CalendarPlace(str(tmp_path / "no-such.ics"), "yard", LONDON), fetcher, START_S)
    with running(lambda *_: Answer(404)) as station, pytest.raises(InputError, match="answered 404"):
        read_calendar(CalendarPlace(station.base_url + "/x.ics", "yard", LONDON), fetcher, START_S)
