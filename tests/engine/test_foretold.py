"""What was told of hours and shifts ahead is kept as it was told, and the week reads nothing else."""

from datetime import time
from pathlib import Path

import numpy as np
import pytest

from monitor.core.derived_series import ZONE
from monitor.engine.build import build_shop
from monitor.engine.forecaster import Foreseer
from monitor.engine.foretold import foretold_points
from monitor.engine.learner import Learner
from monitor.engine.loop import CoreLoop
from monitor.model.device import Measure, Sensor
from monitor.model.event import Event, EventKind
from monitor.model.place import Site, Zone
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.model.staff import Shift
from monitor.outlook.shift_outlook import look_ahead
from monitor.outlook.warning import Score, WarningOutcome
from monitor.report.chart import Window
from monitor.report.told_outlook import DEW_POINT, MARGIN, told_line, told_shifts, told_words, within
from monitor.settings.schema import ServiceSection, Settings
from monitor.store.contract import Bucket
from monitor.store.opener import open_ledger_for, open_series_store
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import WeatherReply, WeatherState
from tests.outlook.ahead import NOW_S, TELLING, cylinder, forecast, scene, thing

HOUR_S = 3_600.0
BEGIN_S = 1_788_825_600.0  # Tuesday 8 September 2026, 00:00 UTC


def test_an_hour_is_drawn_as_it_was_told_whatever_is_told_later(tmp_path: Path) -> None:
    """The ends are those of nine in ten of the courses; a later look, however different, leaves them."""
    store = SqliteSeriesStore(tmp_path / "series.db")
    place = scene(bodies=[thing("Cylinder 1", cylinder(), "bay", 12.0)])
    told = forecast("bay", 9.0 + 0.1 * np.arange(49), 15.0, spread_k=1.0)
    ahead = look_ahead(place, {"bay": told}, NOW_S)
    store.write_points(foretold_points(place, ahead))
    otherwise = look_ahead(place, {"bay": forecast("bay", 3.0, 15.0)}, NOW_S)
    later = [point._replace(time_s=point.time_s + HOUR_S) for point in foretold_points(place, otherwise)]
    store.write_points(later)
    lead_s = TELLING.charted_lead_h * HOUR_S
    window = Window(NOW_S, NOW_S + 2 * lead_s, 900.0)
    first, second = told_line(store, store.keys(), ("bay", ZONE), DEW_POINT, window)
    row = round(TELLING.charted_lead_h)
    samples = told.dew_point_samples_c[:, row - 1]
    assert first.start_s <= NOW_S + lead_s - 0.5 * HOUR_S < first.start_s + 900.0
    assert first.mean == pytest.approx(9.0 + 0.1 * row, abs=1e-4)
    assert (first.minimum, first.maximum) == pytest.approx(
        tuple(np.quantile(samples, (0.05, 0.95))), abs=1e-4
    )
    assert second.mean == pytest.approx(3.0, abs=1e-4)
    steel, _ = told_line(store, store.keys(), ("bay", "cylinder 1"), MARGIN, window)
    assert steel.mean == pytest.approx(float(ahead.bodies["cylinder 1"].margin_k[-1, row]))
    store.close()


def test_hours_that_came_within_what_was_told_are_counted_by_their_mean() -> None:
    told = [Bucket(1_800.0 + n * HOUR_S, 1, 8.0, 9.0, 10.0) for n in range(3)]
    came = [Bucket(n * 900.0, 1, v, v, v) for n, v in enumerate([9.0, 9.0, 13.0, 9.0, 10.4, 10.4, 9.9, 9.9])]
    assert within(told, came) == (
        1,
        2,
    )  # 10.0 lies within, 10.15 does not; of the third hour nothing is known


def _settings(folder: Path) -> Settings:
    measures = (
        Measure(quantity=Quantity.AIR_TEMPERATURE, unit="Cel"),
        Measure(quantity=Quantity.RELATIVE_HUMIDITY, unit="%RH"),
    )
    every = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    return Settings(
        service=ServiceSection(data_dir=folder, tick_s=300.0),
        sites=(Site(id="sandbank", name="Sandbank Works"),),
        zones=(Zone(id="bay", site="sandbank", name="Bay", kind="bay"),),
        sensors=(Sensor(id="bay-1", zone="bay", stuck_after_s=1e6, measures=measures),),
        shifts=(Shift(site="sandbank", name="Day", days=every, start=time(6), end=time(14)),),
    )


class _NoWeather:
    id = "none"

    def forecast(self, now_s: float) -> WeatherReply:
        return WeatherReply(WeatherState.NONE, None, None, "", "")


def _humidity(hour: float) -> float:
    """Dry, but for the second day from 06:00 to 14:00; a gap on the third says nothing."""
    return 0.9 if 30.0 <= hour < 38.0 else 0.5


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Score], dict[str, Score]]:
    """Four days: what the outlook remembers of its shifts, and what the record says of them."""
    folder = tmp_path_factory.mktemp("foretold")
    settings = _settings(folder)
    series, ledger = open_series_store(settings), open_ledger_for(settings)
    archive = ForecastArchive(folder / "forecasts.db")
    shop = build_shop(settings)
    foreseer = Foreseer(settings, series, ledger, {"sandbank": _NoWeather()}, archive, Learner(at_once=True))
    loop = CoreLoop(shop, series, ledger, BEGIN_S, foresee=foreseer.look)
    for n in range(4 * 288):
        time_s, hour = BEGIN_S + 300.0 * n, n / 12.0
        if not 52.0 <= hour < 64.0:
            pairs = ((Quantity.AIR_TEMPERATURE, 15.0), (Quantity.RELATIVE_HUMIDITY, _humidity(hour)))
            series.append(
                [
                    Reading(SeriesKey("bay", "bay-1", quantity), time_s, time_s, value + 1e-3 * (n % 7), n)
                    for quantity, value in pairs
                ]
            )
        if n % 12 == 11:
            loop.advance_to(time_s + 300.0)
    told = told_shifts(ledger.events(kinds=[EventKind.PLAN]))
    kept = list(loop.state.memory.scores)
    archive.close()
    series.close()
    ledger.close()
    return kept, told


def test_the_record_of_a_shift_says_what_the_outlook_scored_by_its_own_rule(
    watched: tuple[list[Score], dict[str, Score]],
) -> None:
    kept, told = watched
    assert [one.outcome for one in kept][:2] == [WarningOutcome.QUIET, WarningOutcome.MISS]
    assert len(kept) == 3
    for one in kept:
        said = told[one.shift.id]
        assert (said.shift, said.outcome, said.lead_s) == (one.shift, one.outcome, one.lead_s)
    missed = told[kept[1].shift.id]
    assert told_words(missed) == "missed: came humid"
    assert missed.shown_frac is not None
    assert 0.0 <= missed.shown_frac < 0.2  # nothing foretold it, so nothing was sent


def test_a_shift_that_nobody_measured_is_on_record_as_not_known(
    watched: tuple[list[Score], dict[str, Score]],
) -> None:
    kept, told = watched
    (unknown,) = [one for one in told.values() if one.shift.start_s == BEGIN_S + 54 * HOUR_S]
    assert unknown.outcome is WarningOutcome.NOT_KNOWN
    assert unknown.shift.id not in {one.shift.id for one in kept}
    assert told_words(unknown).startswith("not known")


def test_an_outcome_that_this_version_does_not_know_is_not_known() -> None:
    later = Event(1, EventKind.PLAN, "sandbank:day", BEGIN_S, {"entry": "scored", "outcome": "half humid"})
    (score,) = told_shifts([later]).values()
    assert score.outcome is WarningOutcome.NOT_KNOWN
