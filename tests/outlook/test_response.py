"""The zone forecaster: what it must learn, what it must not see, and what it says when it cannot know."""

import numpy as np
import pytest

from monitor.outlook.bank import track
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import AirHistory, FloatArray, OutdoorAir
from monitor.outlook.response import RECENT_H, explain, fit, forecast
from monitor.physics.saturation import dew_point_c
from tests.outlook.air import START_S, room, weather
from tests.outlook.open_rooms import needs_open_data, open_rooms

ROWS = 24 * 45
ROOMS = {
    "leaky bay": {"exchange_h": 2.0, "lag_h": 6.0, "gain_pa_h": 40.0},
    "heated hall": {"exchange_h": 0.4, "lag_h": 30.0, "heat_to_c": 16.0, "gain_pa_h": 20.0},
    "dehumidified store": {"exchange_h": 0.15, "lag_h": 40.0, "heat_to_c": 18.0, "dry_to_frac": 0.45},
}


def part(history: AirHistory, first: int, last: int) -> AirHistory:
    return AirHistory(
        history.zone,
        history.start_s + first * 3600.0,
        history.temperature_c[first:last],
        history.vapour_pressure_pa[first:last],
    )


def outside(air: OutdoorAir, first: int, last: int) -> OutdoorAir:
    return OutdoorAir(air.temperature_c[first:last], air.vapour_pressure_pa[first:last])


def mean_error(replay_value: FloatArray, target: FloatArray, first: int) -> FloatArray:
    return np.nanmean(np.abs(replay_value - target)[first:], axis=0)


@pytest.mark.parametrize("kind", sorted(ROOMS))
def test_each_kind_of_zone_is_learnt_and_no_baseline_is_better(kind: str) -> None:
    outdoor = weather(ROWS + 48)
    replay = track(room(outdoor, ROWS, **ROOMS[kind]), outdoor, temperature=False)
    own = mean_error(replay.value, replay.target, 24 * 20)
    best = np.min([mean_error(b, replay.target, 24 * 20) for b in replay.baseline], axis=0)
    assert (own <= best * 1.05 + 0.03).all(), (own, best)
    persistence = mean_error(replay.baseline[0], replay.target, 24 * 20)
    knots = [KNOTS_H.index(h) for h in (12, 24)]
    assert (own[knots] < 0.6 * persistence[knots]).all()


def test_in_a_bay_that_obeys_the_balance_the_forecast_is_as_good_as_the_balance() -> None:
    outdoor = weather(ROWS + 48)
    bay = room(outdoor, ROWS, exchange_h=2.0, lag_h=6.0)
    replay = track(bay, outdoor, temperature=False)
    own = mean_error(replay.value, replay.target, 24 * 24)
    balance = mean_error(replay.baseline[3], replay.target, 24 * 24)
    assert (own <= balance * 1.05 + 0.01).all(), own / balance


def test_the_future_of_the_zone_is_never_seen() -> None:
    outdoor = weather(ROWS)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    changed = AirHistory(zone.zone, zone.start_s, zone.temperature_c.copy(), zone.vapour_pressure_pa.copy())
    changed.temperature_c[800:] += 5.0
    changed.vapour_pressure_pa[800:] *= 1.4
    for temperature in (False, True):
        one = track(zone, outdoor, temperature=temperature)
        other = track(changed, outdoor, temperature=temperature)
        np.testing.assert_allclose(one.value[:800], other.value[:800], rtol=1e-9, atol=1e-9)


def test_the_forecast_of_the_service_is_the_one_that_the_backtest_judges() -> None:
    outdoor = weather(ROWS + 48)
    zone = room(outdoor, ROWS, **ROOMS["heated hall"])
    model = fit(zone, outside(outdoor, 0, ROWS))
    first = ROWS - RECENT_H
    made = forecast(model, part(zone, first, ROWS), outside(outdoor, first, ROWS + 48))
    assert model.sighted is not None
    replay = track(zone, outdoor, temperature=False)
    knots = np.array(KNOTS_H) - 1
    np.testing.assert_allclose(made.dew_point_c.median[knots], replay.value[-1], atol=1e-9)
    warmth = track(zone, outdoor, temperature=True)
    np.testing.assert_allclose(made.temperature_c.median[knots], warmth.value[-1], atol=1e-9)


def test_samples_fill_the_band_and_never_exceed_saturation() -> None:
    outdoor = weather(ROWS + 48)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    first = ROWS - RECENT_H
    made = forecast(
        fit(zone, outside(outdoor, 0, ROWS)), part(zone, first, ROWS), outside(outdoor, first, ROWS + 48)
    )
    assert (made.dew_point_samples_c <= made.temperature_samples_c).all()
    low, high = np.quantile(made.temperature_samples_c, [0.1, 0.9], axis=0)
    width = (high - low)[6:] / (made.temperature_c.high - made.temperature_c.low)[6:]
    assert 0.5 < width.mean() < 1.5


def test_without_weather_the_zone_speaks_from_its_own_history_and_says_so() -> None:
    outdoor = weather(ROWS)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    made = forecast(fit(zone, None), part(zone, ROWS - RECENT_H, ROWS), None)
    assert made.known
    assert not made.with_weather
    assert "no weather: forecast from the zone's own history" in made.notes
    replay = track(zone, None, temperature=False)
    own = mean_error(replay.value, replay.target, 24 * 20)
    best = np.minimum(*(mean_error(b, replay.target, 24 * 20) for b in replay.baseline[:2]))
    assert (own <= best * 1.05).all()


def test_weather_that_reaches_only_a_day_is_used_as_far_as_it_goes() -> None:
    outdoor = weather(ROWS + 24)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    first = ROWS - RECENT_H
    model = fit(zone, outside(outdoor, 0, ROWS))
    made = forecast(model, part(zone, first, ROWS), outside(outdoor, first, ROWS + 24))
    assert made.known
    assert "weather known for 24 h; from its own history beyond" in made.notes
    blind = forecast(model, part(zone, first, ROWS), None)
    for with_weather, without in (
        (made.dew_point_c, blind.dew_point_c),
        (made.temperature_c, blind.temperature_c),
    ):
        wide, plain = (band.high - band.low for band in (with_weather, without))
        assert (wide[26:] >= plain[26:] - 1e-9).all()  # beyond the weather it is no surer than without it
    said, alone = (np.ptp(np.quantile(one.dew_point_samples_c[:, 35], (0.1, 0.9))) for one in (made, blind))
    assert said > 0.7 * alone  # sixty courses of each


@pytest.mark.parametrize("rows", [1, 5, 30, 60, 120, 200])
def test_a_new_zone_gets_a_wide_honest_band_and_a_note(rows: int) -> None:
    outdoor = weather(rows + 48)
    zone = room(outdoor, rows, **ROOMS["heated hall"])
    made = forecast(fit(zone, outside(outdoor, 0, rows)), zone, outdoor)
    assert made.known
    if rows < 168:
        assert any(note.startswith("still learning this zone") for note in made.notes)
        assert (made.dew_point_c.high - made.dew_point_c.low)[23] > 5.0
    assert np.isfinite(made.dew_point_samples_c).all()


def test_a_silent_sensor_is_carried_over_a_short_gap_and_then_not_invented() -> None:
    outdoor = weather(ROWS + 48)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    model = fit(zone, outside(outdoor, 0, ROWS))
    first = ROWS - RECENT_H
    recent = part(zone, first, ROWS)
    recent.vapour_pressure_pa[-3:] = np.nan
    short = forecast(model, recent, outside(outdoor, first, ROWS + 48))
    assert short.known
    assert "the last reading is 3 h old" in short.notes
    recent.vapour_pressure_pa[-9:] = np.nan
    long = forecast(model, recent, outside(outdoor, first, ROWS + 48))
    assert not long.known
    assert long.notes == ("no reading for more than 6 h",)


def test_holes_in_the_record_cost_rows_and_not_the_forecast() -> None:
    outdoor = weather(ROWS + 48)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    rng = np.random.default_rng(2)
    for start in rng.integers(100, ROWS - 300, 12):
        zone.vapour_pressure_pa[start : start + int(rng.integers(2, 20))] = np.nan
    replay = track(zone, outdoor, temperature=False)
    own = mean_error(replay.value, replay.target, 24 * 30)
    persistence = mean_error(replay.baseline[0], replay.target, 24 * 30)
    assert (own < persistence).all()


def test_a_model_that_went_wrong_is_replaced_by_the_better_baseline_and_named() -> None:
    outdoor = weather(ROWS + 48)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    lying = OutdoorAir(outdoor.temperature_c, outdoor.vapour_pressure_pa[::-1].copy())
    constant = AirHistory("cabinet", START_S, zone.temperature_c, np.full(ROWS, 500.0))
    constant.vapour_pressure_pa[:] += 20.0 * np.sign(np.sin(np.arange(ROWS) / 200.0))
    made = forecast(fit(constant, outside(lying, 0, ROWS)), constant, lying)
    assert any(note.startswith("the models were worse than 'persistence'") for note in made.notes)
    expected = dew_point_c(constant.vapour_pressure_pa[-1:])[0]
    assert np.abs(made.dew_point_c.median - expected).max() < 0.7


def test_a_model_trained_on_poor_forecasts_trusts_them_less() -> None:
    outdoor = weather(ROWS + 48)
    zone = room(outdoor, ROWS, **ROOMS["leaky bay"])
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((ROWS, 1)) * np.ones(48) * 300.0
    issued = np.lib.stride_tricks.sliding_window_view(outdoor.vapour_pressure_pa[1:], 48)[:ROWS] + noise
    air = np.lib.stride_tricks.sliding_window_view(outdoor.temperature_c[1:], 48)[:ROWS]
    poor = OutdoorAir(outdoor.temperature_c, outdoor.vapour_pressure_pa, air, issued)
    trained = track(zone, poor, temperature=False)
    own = mean_error(trained.value, trained.target, 24 * 20)
    assert (own < mean_error(trained.baseline[2], trained.target, 24 * 20)).all()
    assert (own < mean_error(trained.baseline[3], trained.target, 24 * 20)).all()


def test_the_explanation_names_lag_and_gain_in_words() -> None:
    outdoor = weather(ROWS)
    zone = room(outdoor, ROWS, exchange_h=0.3, lag_h=12.0, gain_pa_h=60.0)
    model = fit(zone, outdoor)
    assert model.sighted is not None
    balance = model.sighted[0].balance.newest
    assert balance is not None
    assert balance.lag_h == pytest.approx(1 / 0.3, rel=0.6)
    wettest = int(np.argmax(balance.gain_by_hour))
    assert 5 <= wettest <= 14
    assert explain(model).startswith("Moisture follows the outdoor air with a lag of 4 h, temperature")
    assert explain(model).endswith(f"comes in around {wettest:02d}:00.")


@needs_open_data
@pytest.mark.parametrize("name", ["semi-heated house", "house room 2"])
def test_without_weather_no_plain_rule_is_better_at_a_day(name: str) -> None:
    """Kept too long, the models were 1.5 % worse than persistence in the semi-heated house."""
    for temperature in (False, True):
        found = track(open_rooms()[name].history, None, temperature=temperature)
        k, settled = KNOTS_H.index(24), slice(24 * 24, None)
        own = np.nanmean(np.abs(found.error[settled, k]))
        plain = np.nanmean(np.abs(found.baseline[:2] - found.target)[:, settled, k], axis=1)
        assert own <= 1.002 * plain.min()
