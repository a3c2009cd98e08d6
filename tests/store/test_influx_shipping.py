"""The spool in front of a real InfluxDB: nothing lost and nothing doubled, whatever happens to the server."""

import signal
import subprocess
import sys
import textwrap
from threading import Event

import pytest
from click.testing import CliRunner
from pydantic import SecretStr

from monitor.cli.main import main
from monitor.model.errors import InputError
from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.store.contract import StoreUnavailableError
from monitor.store.influx.influx_series import InfluxSeriesStore
from monitor.store.influx.layout import ReadingRow, point_line, reading_line
from monitor.store.influx.link import InfluxMuteError, InfluxUnavailableError
from monitor.store.influx.shipper import GATHER_S
from tests.store.draining import drain

T0 = 1_700_006_400.0
DAY = 86_400.0
AIR = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)
HUMIDITY = SeriesKey("slip-bay", "wall-1", Quantity.RELATIVE_HUMIDITY)
DEW = SeriesKey("slip-bay", "zone", Quantity.DEW_POINT)


def batch(first, count, key=AIR, every_s=1.0):
    return [
        Reading(key, T0 + n * every_s, T0 + n * every_s, n % 10 + 0.5, n, True)
        for n in range(first, first + count)
    ]


@pytest.fixture
def opened(influx_section, tmp_path):
    """Opens stores on one spool file, and closes what is open at the end."""
    stores = []

    def open_store(**changes):
        for store in stores:
            store.close()
        section = influx_section.model_copy(update=changes)
        stores[:] = [InfluxSeriesStore(section, tmp_path / "spool.sqlite", now_s=lambda: T0)]
        return stores[0]

    yield open_store
    for store in stores:
        store.close()


def settings_of(folder, section):
    """A settings file whose spool is the open one: the command is run beside the service."""
    file = folder / "shop.toml"
    file.write_text(
        f'[service]\ndata_dir = "{folder}"\n'
        '[[sites]]\nid = "works"\nname = "Works"\ntimezone = "Europe/London"\n'
        '[[zones]]\nid = "bay"\nsite = "works"\nname = "Bay"\n'
        f'[store]\nseries = "influxdb"\n[store.influxdb]\nurl = "{section.url}"\n'
        f'username = "{section.username}"\ndatabase = "{section.database}"\n',
        encoding="utf-8",
    )
    return file


def on_server(server, section, question):
    found = server.ask(question, section.database)
    return found[0]["values"] if found else []


def count_of(server, section, key=AIR, table="dryshift_reading"):
    rows = on_server(server, section, f'SELECT count("{key.quantity.value}") FROM {table}')
    return rows[0][1] if rows else 0


def test_readings_arrive_in_order_packed_and_in_bounded_batches(opened, influx_server, influx_section):
    store = opened()
    influx_server.door.writes.clear()
    seen = []
    influx_server.door.trouble = lambda path, body: seen.append(body) if path.endswith("write") else None
    for first in range(0, 2_000, 250):
        store.append(batch(first, 250))
    drain(store.shipper)
    assert [lines for lines, _, _ in influx_server.door.writes] == [500] * 4
    assert all(packed for _, _, packed in influx_server.door.writes)
    assert all(wire < 500 * 30 for _, wire, _ in influx_server.door.writes)
    times = [int(line.rsplit(b" ", 1)[1]) for body in seen for line in body.split(b"\n")]
    assert times == sorted(times)
    assert count_of(influx_server, influx_section) == 2_000


def test_the_layout_on_the_server_is_the_documented_one(opened, influx_server, influx_section):
    store = opened()
    store.append([Reading(AIR, T0, T0 + 0.25, 21.5, 7, True), Reading(HUMIDITY, T0, T0, 0.5)])
    store.write_points([Point(DEW, T0, 10.25)])
    store.mark([Mark(2, SensorStatus.FAILURE, "stuck")])
    drain(store.shipper)
    ask = lambda question: on_server(influx_server, influx_section, question)  # noqa: E731  # short here
    assert ask("SHOW MEASUREMENTS") == [["dryshift_derived"], ["dryshift_reading"]]
    assert ask("SHOW TAG KEYS FROM dryshift_reading") == [["source"], ["zone"]]
    assert ask("SHOW FIELD KEYS FROM dryshift_reading") == [
        ["air_temperature_c", "float"],
        ["air_temperature_c_delay_ms", "integer"],
        ["air_temperature_c_sequence", "integer"],
        ["air_temperature_c_status", "integer"],
        ["relative_humidity_frac", "float"],
        ["relative_humidity_frac_status", "integer"],
    ]
    assert ask("SELECT * FROM dryshift_derived") == [[T0 * 1000, 10.25, "zone", "slip-bay"]]
    assert ask("SELECT * FROM dryshift_reading") == [
        [T0 * 1000, 21.5, 250, 7, 0, 0.5, 4, "wall-1", "slip-bay"]
    ]


def test_lines_are_written_as_the_protocol_asks():
    row = ReadingRow(AIR._replace(zone="bay, 1", source="a=b"), 5, 1e-7, 0, 0, None, False)
    assert reading_line(row) == (
        "dryshift_reading,source=a\\=b,zone=bay\\,\\ 1 air_temperature_c=1e-07,air_temperature_c_status=0i 5"
    )
    assert point_line(DEW._replace(zone=""), 5, -3.0) == "dryshift_derived,source=zone dew_point_c=-3.0 5"
    with pytest.raises(ValueError, match="cannot be a tag"):
        point_line(DEW._replace(zone="a\nb"), 5, 1.0)


def test_an_outage_of_days_and_a_restart_in_its_middle_lose_and_double_nothing(
    opened, influx_server, influx_section
):
    store = opened()
    store.append(batch(0, 1_000, every_s=30.0))
    drain(store.shipper)
    influx_server.stop()
    for first in range(1_000, 10_000, 1_000):
        store.append(batch(first, 1_000, every_s=30.0))
        store.write_points([Point(DEW, T0 + first * 30.0, 1.0)])
    with pytest.raises(InfluxUnavailableError):
        drain(store.shipper)
    assert store.shipping().waiting == 9_009
    assert store.shipping().oldest_waiting_s == T0 + 30_000.0
    week = store.buckets(AIR, T0 + 36_000, T0 + 7 * DAY, 600)
    assert sum(b.n for b in week) == 10_000 - 1_200
    store = opened()
    assert store.shipping().waiting == 9_009
    influx_server.start()
    assert store.shipper.send_once()
    store = opened()
    drain(store.shipper)
    assert store.shipping().waiting == 0
    assert count_of(influx_server, influx_section) == 10_000
    assert count_of(influx_server, influx_section, DEW, "dryshift_derived") == 9
    assert store.buckets(AIR, T0 + 36_000, T0 + 7 * DAY, 600) == week
    store.spool.prune(round((T0 + 30 * DAY) * 1000))
    assert store.readings_after(0, 10) == []
    again = store.buckets(AIR, T0 + 36_000, T0 + 7 * DAY, 600)
    assert [(b.start_s, b.n, b.minimum) for b in again] == [(b.start_s, b.n, b.minimum) for b in week]


def test_a_lost_acknowledgement_doubles_nothing(opened, influx_server, influx_section):
    store = opened()
    store.append(batch(0, 400))
    door = influx_server.door
    original = door.passed_on

    def deaf(method, path, *request):
        reply = original(method, path, *request)
        return (503, {}, b"gone away") if "write" in path else reply

    door.passed_on = deaf
    try:
        with pytest.raises(InfluxUnavailableError, match="503"):
            drain(store.shipper)
    finally:
        del door.passed_on
    assert count_of(influx_server, influx_section) == 400
    assert store.shipping().waiting == 400
    drain(store.shipper)
    assert count_of(influx_server, influx_section) == 400
    assert store.counts()["stored"] == 400


def test_killed_while_sending_it_goes_on_where_it_was(opened, influx_server, influx_section, tmp_path):
    script = """
        import sys
        from pathlib import Path
        from monitor.settings.schema import InfluxSection
        from monitor.store.influx.influx_series import InfluxSeriesStore
        from tests.store.test_influx_shipping import batch
        section = InfluxSection(url=sys.argv[2], database=sys.argv[3], username=sys.argv[4],
                                password=sys.argv[5], batch_count=200)
        store = InfluxSeriesStore(section, Path(sys.argv[1]), now_s=lambda: 0.0)
        store.shipper.start()
        for first in range(0, 10**9, 100):
            store.append(batch(first, 100))
            print(first + 100, flush=True)
    """
    section = influx_section
    arguments = [tmp_path / "spool.sqlite", section.url, section.database, section.username]
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script), *arguments, section.password.get_secret_value()],
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        acknowledged = 0
        while acknowledged < 1_000 or count_of(influx_server, section) < 400:
            acknowledged = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        acknowledged = max([acknowledged, *map(int, writer.stdout.read().split("\n")[:-1])])
    store = opened()
    held = store.counts()["stored"]
    assert held - acknowledged in (0, 100)
    drain(store.shipper)
    assert count_of(influx_server, section) == held
    values = on_server(influx_server, section, "SELECT sum(air_temperature_c) FROM dryshift_reading")
    assert values[0][1] == pytest.approx(sum(n % 10 + 0.5 for n in range(held)))


def test_a_wrong_password_is_said_and_nothing_is_lost(opened, influx_server, influx_section):
    store = opened(password=SecretStr("wrong"))
    store.append(batch(0, 100))
    store.shipper.start()
    while store.shipping().state != "denied":
        Event().wait(0.02)
    state = store.shipping()
    assert state.waiting == 100
    assert "token or password was refused" in state.last_error
    assert "wrong" not in state.last_error
    assert state.last_error_s == T0
    store = opened()
    drain(store.shipper)
    assert count_of(influx_server, influx_section) == 100


def test_a_wrong_token_is_said(opened):
    store = opened(username=None, password=None, token=SecretStr("nobody:nothing"))
    store.append(batch(0, 1))
    with pytest.raises(InfluxUnavailableError) as caught:
        drain(store.shipper)
    assert caught.value.denied


def test_a_missing_database_is_said(opened):
    store = opened(database="not_there")
    store.append(batch(0, 1))
    with pytest.raises(InfluxUnavailableError, match="make the database"):
        drain(store.shipper)
    with pytest.raises(InfluxUnavailableError, match="make the database"):
        store.archive.write_points([(DEW, 1, 1.0)])


def test_a_point_the_server_will_not_have_is_set_aside_and_the_rest_goes_on(
    opened, influx_server, influx_section
):
    store = opened()
    far = Reading(AIR, 16_725_225_600.0, T0, 5.5)  # the year 2500: beyond the server's nanoseconds
    store.append([*batch(0, 300), far, *batch(300, 400)])
    drain(store.shipper)
    assert count_of(influx_server, influx_section) == 700
    state = store.shipping()
    assert (state.waiting, state.refused) == (0, 1)
    aside = store.set_aside()[0]
    assert aside.reason == "refused_by_server"
    assert "5.5 at 16725225600000 ms" in aside.detail
    assert "time" in aside.detail.split("ms:")[1]
    store.spool.prune(round((T0 + 30 * DAY) * 1000))
    assert [item.reading for item in store.readings_after(0, 10)] == [far]


def test_what_was_refused_for_a_conflict_goes_out_once_it_is_mended(
    opened, influx_server, influx_section, tmp_path
):
    store = opened()
    for line in ("relative_humidity_frac=1i", "dew_point_c=1i"):
        table = "dryshift_derived" if "dew" in line else "dryshift_reading"
        store.archive._link.write(
            [f"{table},zone=x {line} {int(T0 * 1000)}"]
        )  # somebody else's whole numbers
    store.append([*batch(0, 50), *batch(0, 20, HUMIDITY)])
    store.write_points([Point(DEW, T0 + n, 1.5) for n in range(5)])
    drain(store.shipper)
    assert count_of(influx_server, influx_section) == 50
    assert store.shipping().refused == 25
    assert "field type conflict" in store.set_aside()[0].detail
    influx_server.ask("DROP MEASUREMENT dryshift_derived", influx_section.database)
    influx_server.ask("DELETE FROM dryshift_reading WHERE zone = 'x'", influx_section.database)
    influx_server.ask("DROP SERIES FROM dryshift_reading WHERE zone = 'x'", influx_section.database)
    told = CliRunner().invoke(main, ["resend", str(settings_of(tmp_path, influx_section))])
    assert (told.exit_code, told.output.partition(";")[0]) == (0, "25 numbers wait to be sent again")
    drain(store.shipper)
    assert count_of(influx_server, influx_section, DEW, "dryshift_derived") == 5
    assert store.shipping().waiting == 0


def test_a_name_that_cannot_be_a_tag_is_set_aside(opened, influx_server, influx_section):
    store = opened()
    store.append([*batch(0, 3, AIR._replace(source="a\\b")), *batch(0, 2)])
    drain(store.shipper)
    assert count_of(influx_server, influx_section) == 2
    assert store.shipping().refused == 3


def test_the_server_s_wish_to_wait_is_kept_and_bounded(opened, influx_server):
    store = opened()
    store.append(batch(0, 10))
    replies = iter([(429, {"Retry-After": "7"}), (503, {}), (500, {}), (429, {"Retry-After": "86400"})])
    influx_server.door.trouble = lambda path, body: (*next(replies), b"busy") if "write" in path else None
    waits = [store.shipper._step() for _ in range(4)]
    assert waits == [7.0, 2.0, 4.0, 60.0]
    influx_server.door.trouble = lambda path, body: None
    assert store.shipper._step() == GATHER_S
    assert store.shipping().state == "up_to_date"
    assert store.shipping().last_sent_s == T0


def test_in_the_background_it_catches_up_by_itself(opened, influx_server, influx_section):
    store = opened()
    store.shipper.start()
    for first in range(0, 2_000, 100):
        store.append(batch(first, 100))
    store.write_points([Point(DEW, T0, 1.0)])
    while store.shipping().waiting:
        Event().wait(0.02)
    assert count_of(influx_server, influx_section) == 2_000


def test_marks_and_replaced_points_reach_the_server(opened, influx_server, influx_section):
    store = opened()
    store.append(batch(0, 5))
    store.write_points([Point(DEW, T0, 1.0)])
    drain(store.shipper)
    store.mark([Mark(2, SensorStatus.OUT_OF_SPECIFICATION, "range")])
    store.write_points([Point(DEW, T0, 2.0)])
    drain(store.shipper)
    rows = on_server(influx_server, influx_section, "SELECT air_temperature_c_status FROM dryshift_reading")
    assert [row[1] for row in rows] == [0, 2, 0, 0, 0]
    assert on_server(influx_server, influx_section, "SELECT dew_point_c FROM dryshift_derived")[0][1] == 2.0


def test_a_repeat_of_what_only_the_server_holds_is_found_when_it_is_sent(
    opened, influx_server, influx_section
):
    store = opened()
    store.append(batch(0, 20))
    store.mark([Mark(4, SensorStatus.FAILURE, "stuck")])
    drain(store.shipper)
    store.spool.prune(round((T0 + DAY) * 1000))
    late = [*batch(2, 3), Reading(AIR, T0 + 10, T0 + 2 * DAY, 99.0), Reading(AIR, T0 + 10.5, T0 + DAY, 7.0)]
    assert store.append(late).stored == 5
    drain(store.shipper)
    counts = store.counts()
    assert (counts["stored"], counts["repeated"], counts["contradicting"]) == (21, 3, 1)
    assert store.set_aside()[0].reason == "contradicts_stored"
    assert "99.0" in store.set_aside()[0].detail
    assert count_of(influx_server, influx_section) == 21
    found = store.slice(AIR, T0, T0 + DAY)
    assert found.value[:11].tolist() == [n + 0.5 for n in range(10)] + [0.5]
    assert found.doubtful.tolist() == [False] * 3 + [True] + [False] * 17


def test_before_the_server_was_ever_reached_everything_is_shown_from_here(opened):
    store = opened(url="http://127.0.0.1:9")
    store.append(batch(0, 10))
    assert store.slice(AIR, 0, T0 + DAY).time_s.size == 10
    assert store.buckets(AIR, 0, T0 + DAY, DAY)[0].n == 10


def test_a_new_spool_on_a_server_with_history_shows_that_history(opened, tmp_path):
    store = opened()
    store.append(batch(0, 50))
    store.write_points([Point(DEW, T0, 3.5)])
    drain(store.shipper)
    store.close()
    for file in tmp_path.glob("spool.sqlite*"):
        file.unlink()
    store = opened()
    store.append(batch(5 * 86_400, 10))
    drain(store.shipper)
    assert set(store.keys()) == {AIR, DEW}
    assert store.slice(AIR, T0, T0 + 10 * DAY).time_s.size == 60
    assert store.latest(DEW) == Point(DEW, T0, 3.5)
    assert sum(b.n for b in store.buckets(AIR, T0, T0 + 10 * DAY, 3600)) == 60


def test_with_the_server_away_the_last_days_are_shown_and_older_ones_say_why_not(opened, influx_server):
    store = opened()
    store.append(batch(0, 10))
    store.append(batch(20 * 86_400, 10))
    drain(store.shipper)
    store.apply_retention(T0 + 20 * DAY)
    influx_server.stop()
    try:
        assert store.latest(AIR) == Point(AIR, T0 + 20 * DAY + 9, 9.5)
        assert store.buckets(AIR, T0 + 7 * DAY, T0 + 21 * DAY, DAY)[0].n == 10
        with pytest.raises(StoreUnavailableError, match="nobody behind the door"):
            store.buckets(AIR, T0, T0 + 21 * DAY, DAY)
    finally:
        influx_server.start()
    assert [b.n for b in store.buckets(AIR, T0, T0 + 21 * DAY, DAY)] == [10, 10]


def test_nobody_listening_is_said_with_the_address(opened):
    store = opened(url="http://127.0.0.1:9")
    store.append(batch(0, 1))
    with pytest.raises(InfluxUnavailableError, match=r"http://127\.0\.0\.1:9.*start the server"):
        drain(store.shipper)
    store.spool.prune(round(T0 * 1000))
    with pytest.raises(InfluxUnavailableError, match=r"http://127\.0\.0\.1:9.*start the server"):
        store.slice(AIR, T0 - DAY, T0)


def test_a_full_disk_under_the_spool_is_said_and_loses_nothing(small_disk, influx_server, influx_section):
    filler = small_disk / "filler"
    filler.write_bytes(bytes(700_000))
    store = InfluxSeriesStore(influx_section, small_disk / "spool.sqlite", now_s=lambda: T0)
    acknowledged = [0]

    def fill():
        while acknowledged[0] < 1_000_000:
            store.append(batch(acknowledged[0], 500))
            acknowledged[0] += 500

    with pytest.raises(StoreUnavailableError, match="disk is full"):
        fill()
    store.shipper._step()
    if store.shipping().waiting:
        assert store.shipping().state in ("spool_full", "sending")
    filler.unlink()
    drain(store.shipper)
    assert store.shipping().waiting == 0
    assert count_of(influx_server, influx_section) == acknowledged[0] > 0
    store.append(batch(acknowledged[0], 100))
    drain(store.shipper)
    assert count_of(influx_server, influx_section) == acknowledged[0] + 100
    store.close()


def test_a_server_that_only_takes_writes_gets_every_number_and_says_what_it_cannot_show(
    metrics_url, influx_section, tmp_path, metrics_export
):
    section = influx_section.model_copy(update={"url": metrics_url, "username": None, "password": None})
    store = InfluxSeriesStore(section, tmp_path / "spool.sqlite", now_s=lambda: T0)
    store.append(batch(0, 1_200))
    store.write_points([Point(DEW, T0 + n, n + 0.5) for n in range(30)])
    drain(store.shipper)
    store.spool.prune(round((T0 + 3_600) * 1000))
    store.append([Reading(AIR, T0 - 3_600, T0 + 2, 7.5)])
    drain(store.shipper)
    assert store.shipping().waiting == 0
    found = metrics_export()
    readings = found[("dryshift_reading_air_temperature_c", "slip-bay", "wall-1")]
    assert readings == {T0 * 1000 + n * 1000: n % 10 + 0.5 for n in range(1_200)} | {(T0 - 3_600) * 1000: 7.5}
    assert len(found[("dryshift_derived_dew_point_c", "slip-bay", "zone")]) == 30
    assert store.slice(AIR, T0 + 3_600, T0 + DAY).time_s.size == 0
    with pytest.raises(InfluxMuteError, match="answers no InfluxQL"):
        store.slice(AIR, T0 - DAY, T0 + DAY)
    store.close()


def test_points_and_readings_share_no_series(opened):
    store = opened()
    store.append(batch(0, 1))
    with pytest.raises(InputError, match="holds readings"):
        store.write_points([Point(AIR, T0, 1.0)])


def test_where_only_what_is_sent_is_acknowledged_a_reading_waits_for_the_server(opened, influx_server):
    store = opened(acknowledge="sent")
    store.shipper.start()
    assert store.append(batch(0, 10)).stored == 10
    there = store.archive.readings(AIR, 0, round((T0 + DAY) * 1000))
    assert len(list(there)) == 10  # at once, with no wait: it was there before the call came back


def test_where_the_server_is_away_nothing_is_acknowledged_and_what_comes_again_is_not_doubled(
    opened, influx_server, monkeypatch
):
    store = opened(acknowledge="sent")
    store.shipper.start()
    store.append(batch(0, 5))
    monkeypatch.setattr("monitor.store.influx.influx_series.CONFIRM_S", 0.3)
    influx_server.stop()
    try:
        with pytest.raises(StoreUnavailableError, match="does not have the readings yet"):
            store.append(batch(5, 5))
    finally:
        influx_server.start()
    monkeypatch.setattr("monitor.store.influx.influx_series.CONFIRM_S", 60.0)
    again = store.append(batch(5, 5))  # the broker sends it again
    assert (again.stored, again.repeated) == (0, 5)
    there = store.archive.readings(AIR, 0, round((T0 + DAY) * 1000))
    assert len(list(there)) == 10
