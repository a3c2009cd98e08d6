"""A shop moves from the embedded store to a real InfluxDB and back, and finds everything again."""

import numpy as np
import pytest

from monitor.model.errors import InputError
from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.store.contract import SetAside, StoreUnavailableError
from monitor.store.influx.influx_series import InfluxSeriesStore
from monitor.store.influx.link import InfluxMuteError, InfluxUnavailableError
from monitor.store.move.book import Progress
from monitor.store.move.mover import to_embedded, to_influx
from monitor.store.series.retention import Retention
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.store.conftest import archive_all
from tests.store.draining import drain

T0 = 1_700_006_400.0
DAY = 86_400.0
DAYS = 17
AIR = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)
HUMIDITY = SeriesKey("slip-bay", "wall-1", Quantity.RELATIVE_HUMIDITY)
DEW = SeriesKey("slip-bay", "zone", Quantity.DEW_POINT)
KEYS = (AIR, HUMIDITY, DEW)
KEEP = Retention(readings_days=60, minutes_days=120, hours_days=240)


class DiedError(Exception):
    """Stands for the machine going down."""


@pytest.fixture
def shop(tmp_path):
    """Seventeen days of a shop, with late, doubtful and unreadable ones, a gap, and older sums."""
    store = SqliteSeriesStore(tmp_path / "series.sqlite", retention=KEEP)
    random = np.random.default_rng(3)
    for day in [-70, *(d for d in range(DAYS) if d not in (7, 8))]:
        start = T0 + day * DAY
        times = start + np.round(np.sort(random.uniform(0, DAY, 120)), 3)
        readings = [
            Reading(key, float(t), float(t) + n % 3 * 0.25, float(v), n if n % 2 else None, n % 3 > 0)
            for key in (AIR, HUMIDITY)
            for n, (t, v) in enumerate(zip(times, random.normal(15, 4, 120), strict=True))
        ]
        store.append(
            readings, [SetAside("dryshift/x", b"?", start, "not_json", "broken")] if day == 3 else ()
        )
        store.write_points([Point(DEW, float(t), float(t) % 17.0) for t in times[::4]])
    store.append([Reading(AIR, T0 + 2.5 * DAY + 0.001, T0 + (DAYS - 1) * DAY, 3.0, None, True)])
    store.append([Reading(AIR, T0 + 2.5 * DAY + 0.001, T0 + (DAYS - 1) * DAY, 4.0, None, True)])
    store.append([], [SetAside("dryshift/x", b"?", T0, "not_json", "broken")])
    store.mark([Mark(order, SensorStatus.FAILURE, f"jump {order}") for order in range(250, 3_800, 50)])
    store.apply_retention(T0 + DAYS * DAY)
    yield store
    store.close()


@pytest.fixture
def influx(influx_section, tmp_path):
    store = InfluxSeriesStore(influx_section, tmp_path / "spool.sqlite", now_s=lambda: T0, retention=KEEP)
    yield store
    store.close()


@pytest.fixture
def empty(tmp_path):
    store = SqliteSeriesStore(tmp_path / "back.sqlite", retention=KEEP)
    yield store
    store.close()


def answers(store):
    """Everything a page may ask, from the oldest sums to the last reading."""
    first, last = T0 - 80 * DAY, T0 + (DAYS + 1) * DAY
    found = []
    for key in KEYS:
        points = store.slice(key, first, last)
        found.append((points.time_s.tolist(), points.value.tolist(), points.doubtful.tolist()))
        found.append(store.latest(key))
        for width in (600, 3600, DAY):
            found.append(
                [(b.start_s, b.n, b.minimum, b.maximum) for b in store.buckets(key, first, last, width)]
            )
        found.append(
            [
                (b.start_s, b.n, b.minimum, b.maximum)
                for b in store.spans(key, [first, T0 - 70.5 * DAY, T0 + 5_000, last])
            ]
        )
    found.append(sorted(store.keys()))
    found.append(store.last_order())
    found.append(store.counts())
    found.append(store.set_aside())
    return found


def assert_same_answers(one, two):
    for ours, theirs in zip(answers(one), answers(two), strict=True):
        assert ours == theirs


@pytest.mark.parametrize("archived", [False, True])
def test_a_move_to_influxdb_and_back_changes_no_answer(shop, influx, empty, archived):
    told = []
    if archived:
        assert archive_all(shop) > 3_000
    report = to_influx(shop, influx, told.append)
    readings, points = (DAYS - 2) * 240 + 1, (DAYS - 2) * 30
    assert (report.readings, report.points, report.refused) == (readings, points, 0)
    assert told[0] == Progress(0, readings + points)
    assert told[-1] == Progress(readings + points, readings + points)
    assert [step.done for step in told] == sorted(step.done for step in told)
    assert_same_answers(shop, influx)
    assert influx.shipping().waiting == 0
    back = to_embedded(influx, empty)
    assert (back.readings, back.points, back.resumed) == (readings, points, False)
    assert_same_answers(shop, empty)
    orders = [item.order for item in empty.readings_after(0, 100_000)]
    assert orders == sorted(set(orders))
    assert len(orders) == readings
    with empty.file.read() as db:
        reasons = dict(db.execute("SELECT arrival_order, reason FROM mark").fetchall())
    assert "jump 3750" in reasons.values()


def test_a_move_stops_at_a_month_whose_file_cannot_be_read(shop, influx):
    archive_all(shop)
    for file in shop.archived():
        file.path.unlink()
    with pytest.raises(StoreUnavailableError, match="is missing"):
        to_influx(shop, influx)


def test_the_core_takes_up_at_its_checkpoint_after_the_move(shop, influx):
    last = shop.last_order()
    tail = shop.readings_after(last - 500, 1_000)
    to_influx(shop, influx)
    assert influx.readings_after(last - 500, 1_000) == tail
    fresh = Reading(AIR, T0 + DAYS * DAY, T0 + DAYS * DAY, 9.0)
    assert influx.append([fresh, tail[-1].reading]).last_order > last
    assert [item.reading for item in influx.readings_after(last, 10)] == [fresh]


def test_a_move_back_after_days_of_work_on_influxdb_brings_all_of_it(shop, influx, empty):
    to_influx(shop, influx)
    for day in range(DAYS, DAYS + 20):
        influx.append([Reading(AIR, T0 + day * DAY + n, T0 + day * DAY + n, n + 0.5) for n in range(100)])
        influx.write_points([Point(DEW, T0 + day * DAY, 2.0)])
        drain(influx.shipper)
        influx.apply_retention(T0 + day * DAY)
    influx.mark([Mark(influx.last_order(), SensorStatus.FAILURE, "stuck")])
    influx.append([Reading(AIR, T0 + 1.25 * DAY, T0 + (DAYS + 19) * DAY + 99, 1.0)])
    wanted = answers(influx)
    to_embedded(influx, empty)
    assert answers(empty)[:-3] == wanted[:-3]
    orders = [item.order for item in empty.readings_after(0, 100_000)]
    assert len(orders) == (DAYS - 2) * 240 + 1 + 2_001
    assert empty.last_order() == influx.last_order()


@pytest.mark.parametrize("cut", [1, 3_000])
def test_a_move_that_was_cut_short_goes_on_where_it_was(shop, influx, influx_server, empty, cut):
    def die(step):
        if step.done >= cut:
            raise DiedError

    with pytest.raises(DiedError):
        to_influx(shop, influx, die)
    influx_server.door.writes.clear()
    report = to_influx(shop, influx)
    assert report.resumed
    sent_again = sum(lines for lines, _, _ in influx_server.door.writes)
    assert sent_again <= report.readings + report.points - cut + 500
    assert_same_answers(shop, influx)
    with pytest.raises(DiedError):
        to_embedded(influx, empty, die)
    assert to_embedded(influx, empty).resumed
    assert_same_answers(shop, empty)


def test_a_number_the_server_will_not_have_is_reported_and_set_aside(shop, influx):
    shop.append([Reading(AIR, 16_725_225_600.0, T0 + DAYS * DAY, 5.5)])
    report = to_influx(shop, influx)
    assert report.refused == 1
    assert influx.set_aside()[0].reason in ("refused_by_server", "not_json", "contradicts_stored")
    assert "refused_by_server" in [message.reason for message in influx.set_aside()]


def test_history_can_follow_into_a_spool_that_is_in_use(shop, influx):
    later = T0 + (DAYS + 5) * DAY
    shop.append([Reading(AIR, later + 9 * DAY, T0 + DAYS * DAY, 8.0, None, True)])
    influx.append([Reading(AIR, later + n, later + n, 1.0) for n in range(10)])
    drain(influx.shipper)
    assert influx.last_order() == 10
    to_influx(shop, influx)
    assert [item.order for item in influx.readings_after(0, 100)] == list(range(1, 11))
    assert influx.slice(AIR, T0, T0 + 40 * DAY).time_s.size == (DAYS - 2) * 120 + 1 + 10 + 1
    hours = shop.buckets(AIR, T0 - 80 * DAY, T0 + DAYS * DAY, 3600)
    assert [
        (b.start_s, b.n, b.minimum) for b in influx.buckets(AIR, T0 - 80 * DAY, T0 + DAYS * DAY, 3600)
    ] == [(b.start_s, b.n, b.minimum) for b in hours]


def test_nothing_is_moved_over_an_embedded_store_that_holds_readings(shop, influx):
    with pytest.raises(InputError, match="move it aside"):
        to_embedded(influx, shop)


def test_a_difference_on_arrival_is_found(shop, influx, influx_server, influx_section):
    door = influx_server.door
    original = door.passed_on
    time_ms = round(shop.slice(AIR, T0, T0 + DAY).time_s[5] * 1000)
    line = f"dryshift_reading,source=wall-1,zone=slip-bay air_temperature_c=99 {time_ms}"

    def spoiled(method, path, *request):
        reply = original(method, path, *request)
        if "write" in path:
            influx_server.write(line, influx_section.database)
        return reply

    door.passed_on = spoiled
    try:
        with pytest.raises(StoreUnavailableError, match=r"wall-1/air_temperature_c, 2023-11-15: arrived"):
            to_influx(shop, influx)
    finally:
        del door.passed_on
    to_influx(shop, influx)
    assert_same_answers(shop, influx)


def test_an_outage_in_the_middle_ends_the_move_with_its_reason(shop, influx, influx_server):
    def stop_at(step):
        if step.done > 1_500 and influx_server.process:
            influx_server.stop()

    with pytest.raises(InfluxUnavailableError, match="nobody behind the door"):
        to_influx(shop, influx, stop_at)
    influx_server.start()
    to_influx(shop, influx)
    assert_same_answers(shop, influx)


def test_a_server_that_answers_no_questions_cannot_be_moved_to(shop, influx_section, metrics_url, tmp_path):
    section = influx_section.model_copy(update={"url": metrics_url, "username": None, "password": None})
    store = InfluxSeriesStore(section, tmp_path / "spool.sqlite", now_s=lambda: T0)
    with pytest.raises(InfluxMuteError, match="answers no InfluxQL"):
        to_influx(shop, store)
    store.close()
