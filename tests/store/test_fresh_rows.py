"""What is not yet filed by series is answered, repeated, doubted and forgotten as what is."""

import random
import signal
import subprocess
import sys
from pathlib import Path
from time import sleep

import pytest

from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.store.series import reads
from monitor.store.series.fresh_rows import FreshRows
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.store.test_packed_store import AIR, DAY, DEW, FAR, T0, answers, fill

KEYS = [SeriesKey("slip-bay", f"wall-{n}", Quantity.AIR_TEMPERATURE) for n in range(20)]


@pytest.fixture
def store(tmp_path):
    opened = SqliteSeriesStore(tmp_path / "series.sqlite")
    yield opened
    opened.close()


def readings(minute, keys=KEYS):
    time_s = T0 + 60.0 * minute
    return [Reading(key, time_s, time_s + 0.25, 10.0 + minute % 7 + n) for n, key in enumerate(keys)]


def rows(store, table):
    with store.file.read() as db:
        return db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]


def test_rows_are_filed_by_series_many_at_once_and_each_lies_in_one_place(store):
    filed = set()
    for minute in range(600):
        store.append(readings(minute))
        filed.add(rows(store, "reading"))
        assert rows(store, "reading") + rows(store, "fresh_reading") == 20 * (minute + 1)
    assert 3 < len(filed) < 8  # a few sweeps, not one a commit
    assert store.counts()["stored"] == store.last_order() == 12_000


def test_a_store_answers_the_same_however_much_of_it_is_filed(tmp_path):
    chance = random.Random(11)
    stores = [SqliteSeriesStore(tmp_path / f"{n}.sqlite") for n in range(3)]
    for turn in range(60):
        batch = readings(turn, KEYS[:4]) + readings(chance.randrange(turn + 1), KEYS[:2])
        batch.append(Reading(KEYS[0], T0 + chance.randrange(3_600), T0 + 4e3, 5.0))
        points = [Point(DEW, T0 + 60.0 * chance.choice([turn, turn, turn // 2]), float(turn))]
        marks = [Mark(chance.randrange(1, 100), chance.choice(list(SensorStatus)), "doubted")]
        found = []
        for number, store in enumerate(stores):
            if number == 1 or (number == 2 and turn % 9 == 0):
                store.refresh_rollups()
            store.write_points(points)
            store.mark(marks)
            found.append(store.append(batch))
        assert found[0] == found[1] == found[2]
        if turn == 40:
            for store in stores:
                store.forget_points_after(T0 + 1_700.0)
    asked = [
        (answers(store), store.buckets(KEYS[0], T0, T0 + DAY, 60), store.latest(KEYS[1])) for store in stores
    ]
    assert asked[0] == asked[1] == asked[2]
    for store in stores:
        store.close()


def test_another_program_sees_what_is_not_filed_and_what_was_filed_since(store, tmp_path):
    other = SqliteSeriesStore(tmp_path / "series.sqlite")
    for minute in range(60):
        store.append(readings(minute))
        assert other.slice(KEYS[3], T0, T0 + DAY).time_s.size == minute + 1
        assert other.latest(KEYS[19]).time_s == T0 + 60.0 * minute
        if minute % 11 == 0:
            other.refresh_rollups()
    again = other.append(readings(59))
    assert (again.stored, again.repeated, again.last_order) == (0, 20, 1_200)
    assert other.counts()["stored"] == 1_200
    other.close()


def test_a_view_from_before_rows_were_filed_goes_on_seeing_each_once(store):
    fresh = FreshRows()
    for minute in range(5):
        store.append(readings(minute))
    with store.file.read() as early:
        early.execute("SELECT count(*) FROM fresh_reading").fetchone()  # fixes the view
        store.refresh_rollups()
        store.append(readings(5))
        with store.file.read() as late:
            for db, count in ((late, 6), (early, 5), (late, 6), (early, 5)):
                found = reads.slice_(db, store.shelf, KEYS[2], (0, 2**50), None, fresh.within(1))
                assert found.time_s.size == count


def test_what_is_looked_for_in_one_series_is_not_looked_for_in_all(store):
    """A page asks for every series in turn: each must not go through what all of them sent."""
    for minute in range(40):
        store.append(readings(minute))
    fresh = FreshRows().within(1)
    with store.file.read() as db:
        first = fresh(db, 1, False)
        db.set_progress_handler(lambda: 1, 2_000)  # stops a statement of more steps than a series needs
        assert len(fresh(db, 2, False)) == len(first) > 5
        db.set_progress_handler(None, 0)


def test_a_commit_of_one_message_writes_no_counter_and_no_sum(store):
    store.append(readings(0))
    asked = []
    store.file._writer.set_trace_callback(asked.append)
    store.append(readings(1, KEYS[:2]))
    store.write_points([Point(DEW, T0, 1.0)])
    store.file._writer.set_trace_callback(None)
    written = {one.split()[2] for one in asked if one.startswith(("INSERT", "UPDATE"))}
    assert written == {"fresh_reading", "series", "fresh_point"}


FILER = """
import sys
from pathlib import Path
from tests.store.test_fresh_rows import readings
from monitor.store.series.sqlite_series import SqliteSeriesStore
store = SqliteSeriesStore(Path(sys.argv[1]))
for minute in range(int(sys.argv[2]), 100_000):
    store.append(readings(minute))
    store.refresh_rollups() if minute % 3 == 0 else None
    print(minute, flush=True)
"""


def test_a_kill_in_the_middle_of_filing_loses_nothing_that_was_acknowledged(tmp_path):
    path = tmp_path / "series.sqlite"
    chance, first = random.Random(7), 0
    for _ in range(6):
        run = [sys.executable, "-c", FILER, str(path), str(first)]
        with subprocess.Popen(run, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]) as filer:
            assert filer.stdout is not None
            filer.stdout.readline()
            sleep(chance.uniform(0.0, 0.3))  # the moment of the kill is what is on trial
            filer.send_signal(signal.SIGKILL)
            said = filer.stdout.read().split()
        store = SqliteSeriesStore(path)
        held = store.last_order() // 20
        assert held - (int(said[-1]) + 1 if said else first + 1) in (0, 1)
        assert store.counts()["stored"] == len(store.readings_after(0, 10**7)) == 20 * held
        for key in KEYS[::7]:
            assert store.slice(key, T0, T0 + 1e8).time_s.size == held
            assert sum(b.n for b in store.buckets(key, T0, T0 + 1e8, 3_600)) == held
        first = held
        store.close()


def test_a_reading_of_the_future_keeps_no_later_one_out(store):
    """A clock that leapt ahead once: what comes after it in the right order is new, and repeats are found."""
    fill(store, days=0.1)
    store.append([Reading(AIR, T0 + 900 * DAY, T0 + DAY, 1.0)])
    new = [Reading(AIR, T0 + DAY + n, T0 + DAY + n, float(n)) for n in range(5)]
    assert store.append(new).stored == 5
    assert store.append([*new, new[0]._replace(value=9.0)]).contradicting == 1
    store.refresh_rollups()
    assert store.append(new).repeated == 5


def test_where_packed_readings_lay_by_order_is_forgotten_and_nothing_else(store):
    for day in range(3):
        for minute in range(0, 1_440, 10):
            store.append(readings(1_440 * day + minute, KEYS[:3]))
    late = store.append([Reading(KEYS[0], T0 + 30.5, T0 + 3 * DAY, 1.0)]).last_order
    wanted = store.readings_after(0, 10_000)
    store.refresh_rollups()
    assert rows(store, "filed_order") == len(wanted)
    store.pack(T0 + 3 * DAY)
    assert 0 < rows(store, "filed_order") == rows(store, "reading") < len(wanted) / 2
    store.mark([Mark(late, SensorStatus.FAILURE, "jump")])  # opens what holds it
    assert rows(store, "filed_order") >= rows(store, "reading")
    assert store.readings_after(0, 10_000) == wanted
    assert store.slice(KEYS[0], T0, T0 + 60.0).doubtful.tolist() == [False, True]


def test_what_a_silent_sensor_sends_of_a_packed_time_is_known_after_a_start(tmp_path):
    store = SqliteSeriesStore(tmp_path / "series.sqlite")
    fill(store)
    store.pack(FAR)
    store.close()
    store = SqliteSeriesStore(tmp_path / "series.sqlite")
    (_, known), (_, last) = store.readings_after(0, 10)[0], store.readings_after(0, 100_000)[-1]
    late = last._replace(time_s=last.time_s + 0.5)
    assert store.append([known, last, late]).repeated == 2
    assert store.append([known, last, late]).stored == 0
    store.pack(FAR)
    assert [one.reading for one in store.readings_after(0, 100_000)].count(last) == 1
    assert store.slice(late.key, late.time_s, late.time_s + 0.1).time_s.size == 1
    store.close()
