"""The loop that drives the core: a defect in one reading or in the outlook never stops the watch."""

import threading
from pathlib import Path

import pytest

from monitor.core import arrival
from monitor.core.state import CoreState, Foreseen
from monitor.core.step import Shop
from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.file import load
from monitor.store.contract import StoreUnavailableError
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.opener import open_ledger_for, open_series_store
from tests.engine.yard import START_S, write_shop


def readings(minutes: int, humidity: float = 0.5) -> list[Reading]:
    found = []
    for n in range(minutes):
        time_s = START_S + 60.0 * n
        for quantity, value in ((Quantity.AIR_TEMPERATURE, 15.0), (Quantity.RELATIVE_HUMIDITY, humidity)):
            found.append(Reading(SeriesKey("slip-bay", "bay-1", quantity), time_s, time_s + 0.1, value, n))
    return found


@pytest.fixture
def parts(tmp_path: Path):
    settings = load(write_shop(tmp_path, 1, "http://127.0.0.1:1/"))
    settings.service.data_dir.mkdir()
    series, ledger = open_series_store(settings), open_ledger_for(settings)
    yield build_shop(settings), series, ledger
    series.close()
    ledger.close()


def test_a_reading_that_meets_a_defect_is_marked_and_holds_up_no_other(parts, monkeypatch) -> None:
    shop, series, ledger = parts
    series.append(readings(30))
    real = arrival.judge

    def flawed(track, reading, rules):
        if reading.sequence == 7:
            raise ZeroDivisionError
        return real(track, reading, rules)

    monkeypatch.setattr(arrival, "plainly", lambda *_: None)  # so that every reading gets the closer look
    monkeypatch.setattr(arrival, "judge", flawed)
    loop = CoreLoop(shop, series, ledger, START_S)
    loop.advance_to(START_S + 1800)
    assert loop.state.order == series.last_order()
    doubtful = series.slice(SeriesKey("slip-bay", "bay-1", Quantity.AIR_TEMPERATURE), 0, 4e9).doubtful
    assert doubtful.sum() == 1
    assert loop.snapshot().zones[0].air is not None


def test_a_defect_in_the_outlook_leaves_the_watch_over_now(parts) -> None:
    shop, series, ledger = parts
    series.append(readings(90))
    calls = []

    def flawed(_shop: Shop, _state: CoreState, now_s: float):
        calls.append(now_s)
        raise ZeroDivisionError

    loop = CoreLoop(shop, series, ledger, START_S, foresee=flawed)
    loop.advance_to(START_S + 5400)
    assert calls
    assert loop.state.time_s == START_S + 5400


def test_a_look_ahead_for_which_zones_are_still_being_learnt_is_asked_for_again_at_the_next_tick(
    parts,
) -> None:
    shop, series, ledger = parts
    series.append(readings(90))
    asked: list[float] = []

    def learning(_shop: Shop, state: CoreState, now_s: float):
        asked.append(now_s)
        return None if len(asked) < 3 else (Foreseen((), (), state.memory), [])

    loop = CoreLoop(shop, series, ledger, START_S, foresee=learning, look_every_s=3600.0)
    loop.advance_to(START_S + 5400.0)
    assert [one - asked[0] for one in asked] == [0.0, shop.tick_s, 2.0 * shop.tick_s]


def test_nobody_waits_for_a_look_ahead(parts) -> None:
    shop, series, ledger = parts
    series.append(readings(90))
    answered = []

    def slow_look(shop: Shop, state: CoreState, now_s: float):
        person = threading.Thread(target=loop.reshape)
        person.start()
        person.join(20.0)
        answered.append(not person.is_alive())
        return Foreseen((), (), state.memory), []

    loop = CoreLoop(shop, series, ledger, START_S, foresee=slow_look, look_every_s=3600.0)
    loop.advance_to(START_S + 5400.0)
    assert answered
    assert all(answered)


def test_a_good_sensor_was_heard_when_it_last_spoke_not_when_it_was_last_judged_anew(parts) -> None:
    shop, series, ledger = parts
    series.append(readings(90))
    loop = CoreLoop(shop, series, ledger, START_S)
    loop.advance_to(START_S + 5400)
    (sensor,) = loop.snapshot().zones[0].sensors
    assert sensor.last_time_s == START_S + 89 * 60.0


def test_humidity_a_little_past_saturation_is_taken_as_saturation(parts) -> None:
    shop, series, ledger = parts
    series.append(readings(10, humidity=1.03))
    loop = CoreLoop(shop, series, ledger, START_S)
    loop.advance_to(START_S + 600)
    air = loop.snapshot().zones[0].air
    assert air is not None
    assert air.relative_humidity_frac == 1.0
    assert air.dew_point_c == pytest.approx(air.temperature_c, abs=0.01)


def test_working_through_at_once_or_bit_by_bit_or_with_a_restart_gives_the_same_state(
    parts, tmp_path
) -> None:
    shop, series, _ = parts
    damp = [
        r._replace(value=0.93 if r.key.quantity is Quantity.RELATIVE_HUMIDITY else r.value)
        for r in readings(200)
    ]
    series.append(readings(60) + [r for r in damp if r.time_s >= START_S + 3600])
    whole = CoreLoop(shop, series, open_ledger_for_test(tmp_path, "a"), START_S)
    whole.advance_to(START_S + 12_000)
    ledger_b = open_ledger_for_test(tmp_path, "b")
    bit = CoreLoop(shop, series, ledger_b, START_S)
    for n in range(1, 61):
        bit.advance_to(START_S + 100.0 * n)
    bit.save()
    again = CoreLoop(shop, series, ledger_b, START_S + 9999)
    again.advance_to(START_S + 12_000)
    assert again.state == whole.state


def test_the_points_of_a_backlog_are_written_many_at_once(parts, monkeypatch) -> None:
    shop, series, ledger = parts
    series.append(readings(120))
    written = []
    real = series.write_points
    monkeypatch.setattr(series, "write_points", lambda points: (written.append(len(points)), real(points)))
    CoreLoop(shop, series, ledger, START_S).advance_to(START_S + 7200)
    derived = int(7200 / shop.derived_every_s)
    assert sum(written) > derived
    assert len(written) < derived / 8


def test_a_tick_whose_points_are_not_written_is_no_proof_that_the_watch_goes_on(parts, monkeypatch) -> None:
    """Heartbeat and watchdog look at any moment, and on a full disk each look of the core ticks and fails."""
    shop, series, ledger = parts
    loop = CoreLoop(shop, series, ledger, START_S)
    loop.advance_to(START_S + 600.0)
    before, seen, real = loop.ticked_at, [], series.write_points

    def full(points):
        seen.append(loop.ticked_at)
        raise StoreUnavailableError("no room")

    series.append(readings(30))
    monkeypatch.setattr(series, "write_points", full)
    with pytest.raises(StoreUnavailableError):
        loop.advance_to(START_S + 1800.0)
    assert seen
    assert {*seen, loop.ticked_at} == {before}
    monkeypatch.setattr(series, "write_points", real)
    loop.advance_to(START_S + 1800.0)
    assert loop.ticked_at > before


def test_a_store_that_fails_in_the_midst_of_a_backlog_costs_no_point_and_doubles_no_event(
    parts, tmp_path, monkeypatch
) -> None:
    """What was worked through since the last writing has not happened; it is worked through again."""
    shop, series, _ = parts
    damp = readings(120, humidity=0.93)
    series.append(readings(60) + damp[120:])
    undisturbed, disturbed = (open_ledger_for_test(tmp_path, name) for name in ("a", "b"))
    whole = CoreLoop(shop, series, undisturbed, START_S)
    whole.advance_to(START_S + 7200)
    points = {key: series.slice(key, 0, 4e9).value.tolist() for key in series.keys()}  # noqa: SIM118
    series.forget_points_after(START_S)
    real, calls = series.write_points, []

    def at_times(points) -> None:
        calls.append(len(points))
        if len(calls) % 3 == 0:
            raise StoreUnavailableError("the disk is full")
        real(points)

    monkeypatch.setattr(series, "write_points", at_times)
    loop = CoreLoop(shop, series, disturbed, START_S)
    failures = 0
    while loop.state.time_s < START_S + 7200:
        try:
            loop.advance_to(START_S + 7200)
        except StoreUnavailableError:
            failures += 1
            saved = disturbed.checkpoint()
            assert loop.state.time_s <= (START_S if saved is None else saved.time_s) + shop.derived_every_s
    assert failures > 3
    assert {key: series.slice(key, 0, 4e9).value.tolist() for key in series.keys()} == points  # noqa: SIM118
    plain = [(e.kind, e.subject, e.time_s, e.body) for e in undisturbed.events()]
    assert [(e.kind, e.subject, e.time_s, e.body) for e in disturbed.events()] == plain
    assert loop.state == whole.state


def open_ledger_for_test(folder: Path, name: str):

    return open_ledger(f"sqlite:///{folder / name}.sqlite")
