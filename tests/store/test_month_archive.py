"""Months that left the live file answer as they did in it; what cannot be read is unknown, and said."""

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from time import sleep

import numpy as np
import pyarrow.parquet
import pytest

from monitor.core.state import replace
from monitor.core.step import first_state
from monitor.engine.build import build_shop
from monitor.engine.other_store import other_store
from monitor.model.quantity_units import unit_of
from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.settings.file import load
from monitor.settings.reference import config_folder
from monitor.store.contract import MonthFile, StoreUnavailableError
from monitor.store.months import month_book
from monitor.store.months import shelf as shelf_module
from monitor.store.months.archiving import archive_month, due_months, restore_month
from monitor.store.months.month_book import month_of, months_back, span_of
from monitor.store.months.shelf import Shelf
from monitor.store.series.catalog import Catalog
from monitor.store.series.retention import Retention
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.store.conftest import archive_all
from tests.store.test_packed_store import AIR, DAY, DEW, FAR, HUMIDITY, T0, answers, arrivals, come_late, fill

MONTH = "2023-11"
ABOUT = {"service_version": "1.2.3", "shop": {"name": "Ferrymoor Slipway"}}


@pytest.fixture
def two(tmp_path):
    """The same twice: one keeps rows, one has moved all it holds into months' files."""
    rows = SqliteSeriesStore(tmp_path / "rows.sqlite")
    filed = SqliteSeriesStore(tmp_path / "filed.sqlite", archive=tmp_path / "share")
    for store in (rows, filed):
        fill(store)
    filed.pack(FAR)
    assert archive_month(filed, MONTH, ABOUT) > 5_000
    filed.close()
    filed = SqliteSeriesStore(tmp_path / "filed.sqlite", archive=tmp_path / "share")
    yield rows, filed
    rows.close()
    filed.close()


def live(store) -> int:
    """How many numbers the live file holds."""
    with store.file.read() as db:
        return db.execute(
            "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM point) "
            "+ (SELECT count(*) FROM fresh_reading) + (SELECT count(*) FROM fresh_point) "
            "+ (SELECT coalesce(sum(n), 0) FROM packed)"
        ).fetchone()[0]


def test_a_month_in_a_file_answers_as_it_did_in_the_live_one(two):
    rows, filed = two
    assert live(filed) == 0
    assert answers(filed) == answers(rows)
    assert sorted(path.name for path in filed.shelf.folder.iterdir()) == [
        f"{MONTH}-derived.parquet",
        f"{MONTH}-readings.parquet",
        "READ-ME.txt",
        "SHA256SUMS",
    ]


@pytest.mark.parametrize("at_once", [1, 50, 100_000])
def test_archived_readings_come_back_in_order_of_arrival_however_much_is_asked_at_once(two, at_once):
    rows, filed = two
    wanted = arrivals(rows, 1_000)
    begin = wanted[-200].order if at_once == 1 else 0
    assert arrivals(filed, at_once, begin) == [one for one in wanted if one.order > begin]


def test_readings_of_a_live_month_follow_those_of_archived_ones(two):
    for store in two:
        store.append([Reading(AIR, T0 + 40 * DAY + n, T0 + 40 * DAY + n, 1.5 * n, n) for n in range(50)])
        store.mark([Mark(store.last_order(), SensorStatus.FAILURE, "jump")])
    assert answers(two[1]) == answers(two[0])
    assert arrivals(two[1], 77) == arrivals(two[0], 77)
    assert live(two[1]) == 50


def test_what_comes_late_for_an_archived_month_is_stored_repeated_or_put_aside_as_ever(two):
    come_late(*two)
    rows, filed = two
    assert answers(filed) == answers(rows)
    assert 0 < live(filed) < 2_000, "a few stretches of it lie in the live file again"
    filed.pack(FAR)
    assert answers(filed) == answers(rows)
    assert due_months(filed, round(FAR * 1000.0), unfinished=True) == []
    assert archive_all(filed) > 5_000
    assert live(filed) == 0
    assert answers(filed) == answers(rows)
    assert len(list(filed.shelf.folder.glob("*.parquet"))) == 2, "the files before it are gone"


def test_the_reasons_of_doubt_are_in_the_file_and_come_back_with_what_is_opened(two):
    reasons = []
    for store in two:
        store.append([Reading(AIR, T0 + 31.0, T0 + 99.0, 1.0)])
        store.apply_retention(T0 + 5 * DAY)
        restore_month(store, MONTH)
        store.open_from(T0)
        with store.file.read() as db:
            reasons.append(db.execute("SELECT * FROM mark ORDER BY 1").fetchall())
    assert reasons[0] == reasons[1]
    assert len(reasons[0]) > 10


def test_derived_points_of_later_times_are_forgotten_in_months_files_too(two):
    for store in two:
        store.forget_points_after(T0 + 0.7 * DAY)
    assert answers(two[1]) == answers(two[0])
    assert two[1].latest(DEW).time_s <= T0 + 0.7 * DAY


def test_minutes_outlive_what_was_archived_and_the_file_stays_on_the_disk(tmp_path):
    keep = Retention(readings_days=10, minutes_days=20, hours_days=40)
    stores = [SqliteSeriesStore(tmp_path / f"{n}.sqlite", retention=keep) for n in range(2)]
    for store in stores:
        fill(store)
    assert archive_all(stores[1]) > 5_000
    for day in (11, 12, 14):
        for store in stores:
            store.apply_retention(T0 + day * DAY)
        assert answers(stores[1]) == answers(stores[0])
    assert stores[1].slice(AIR, T0, T0 + 9 * DAY).time_s.size == 0
    assert stores[1].archived() == {}
    assert len(list(stores[1].shelf.folder.glob("*.parquet"))) == 2
    for store in stores:
        store.close()


def test_a_month_of_which_the_beginning_is_too_old_keeps_the_sums_of_it(tmp_path):
    keep = Retention(readings_days=1, minutes_days=20, hours_days=40)
    stores = [SqliteSeriesStore(tmp_path / f"{n}.sqlite", retention=keep) for n in range(2)]
    for store in stores:
        fill(store)
        assert store.apply_retention(T0 + 2.5 * DAY) > 0
    before = stores[0].buckets(AIR, T0, T0 + DAY, 900)
    assert before
    assert archive_all(stores[1]) > 0
    assert stores[1].buckets(AIR, T0, T0 + DAY, 900) == before
    assert answers(stores[1]) == answers(stores[0])
    for store in stores:
        store.close()


def test_a_month_whose_move_is_stopped_right_after_a_commit_keeps_its_file(two, monkeypatch):
    rows, filed = two
    restore_month(filed, MONTH)
    leave = Catalog.leave

    def stopped(catalog):
        leave(catalog)
        raise KeyboardInterrupt

    monkeypatch.setattr(Catalog, "leave", stopped)
    with pytest.raises(KeyboardInterrupt):
        archive_month(filed, MONTH, {})
    monkeypatch.setattr(Catalog, "leave", leave)
    assert answers(filed) == answers(rows)


def test_who_reads_while_a_months_file_is_replaced_is_told_what_was_not_read(two):
    _, filed = two
    with filed.file.read() as view:
        (first, *_) = month_book.files(view, filed.shelf.folder)
        filed.append([Reading(AIR, T0 + 31.0, T0 + 99.0, 1.0)])
        archive_all(filed)
        assert not first.path.exists()
        assert filed.shelf.block(view, 1, 0, round(FAR * 1000)).size == 0
    assert "is missing" in filed.unreadable(T0, T0 + DAY)
    filed.look_at_archive()
    assert filed.unreadable(T0, T0 + DAY) == ""


def test_what_cannot_be_read_is_not_dropped_before_its_minutes_were_summed_up(two):
    rows, filed = two
    move_away(filed)
    keep = Retention(readings_days=1, minutes_days=900, hours_days=900)
    for store in two:
        store._retention = keep
    filed.apply_retention(T0 + 20 * DAY)
    put_back(filed)
    filed.apply_retention(T0 + 20 * DAY)
    rows.apply_retention(T0 + 20 * DAY)
    assert answers(filed) == answers(rows)
    assert rows.buckets(AIR, T0, T0 + DAY, 60)


def test_a_month_taken_back_lies_in_the_live_file_and_stays_there_until_somebody_archives_it(two):
    rows, filed = two
    everything = live(rows)
    assert restore_month(filed, MONTH) == everything
    assert live(filed) == everything
    assert filed.archived() == {}
    assert answers(filed) == answers(rows)
    assert due_months(filed, round(FAR * 1000.0), unfinished=True) == []
    assert due_months(filed, round(FAR * 1000.0), unfinished=False) == [MONTH]
    archive_all(filed)
    assert live(filed) == 0
    assert answers(filed) == answers(rows)


def test_only_months_that_ended_long_enough_ago_are_due(tmp_path):
    store = SqliteSeriesStore(tmp_path / "series.sqlite")
    store.append([Reading(AIR, T0 + n * DAY, T0 + n * DAY, 1.0 * n) for n in range(0, 130, 5)])
    store.pack(FAR)
    now_ms = round((T0 + 130 * DAY) * 1000.0)  # 2024-03-24
    assert due_months(store, months_back(now_ms, 1), unfinished=True) == [MONTH, "2023-12", "2024-01"]
    assert due_months(store, months_back(now_ms, 3), unfinished=True) == [MONTH]
    assert span_of("2024-02")[1] - span_of("2024-02")[0] == 29 * 86_400_000
    assert month_of(span_of("2024-02")[1] - 1) == "2024-02"
    store.close()


def test_the_file_tells_a_stranger_what_it_holds_with_units_and_where_it_comes_from(two):
    rows, filed = two
    (file,) = (one for one in filed.archived() if not one.derived)
    table = pyarrow.parquet.read_table(file.path)
    assert {one.name for one in table.schema} >= {"time", "value", "unit", "status", "delay_ms", "sequence"}
    assert table.schema.field("delay_ms").metadata == {
        b"about": b"arrival less `time`",
        b"unit": b"ms",
    }
    units = set(zip(table["quantity"].to_pylist(), table["unit"].to_pylist(), strict=True))
    assert units == {(one.quantity.value, unit_of(one.quantity)) for one in (AIR, HUMIDITY)}
    about = json.loads(pyarrow.parquet.read_metadata(file.path).metadata[b"dryshift"])
    assert about["service_version"] == "1.2.3"
    assert about["shop"] == {"name": "Ferrymoor Slipway"}
    assert "sha256" in about["how_to_read"]
    for said in about["series"]:
        key = SeriesKey(said["zone"], said["source"], Quantity(said["quantity"]))
        part = rows.slice(key, 0.0, FAR)
        times = np.round(part.time_s * 1000.0).astype("<i8")
        digest = hashlib.sha256(times.tobytes() + part.value.astype("<f8").tobytes()).hexdigest()
        assert (said["numbers"], said["sha256"]) == (times.size, digest)
        assert (said["first_ms"], said["last_ms"]) == (times[0], times[-1])
        mine = table.filter(pyarrow.compute.field("quantity") == said["quantity"]).sort_by("time")
        assert mine["value"].to_pylist() == part.value.tolist()


def test_a_stranger_finds_beside_the_files_how_to_read_them_and_whether_they_are_what_was_written(two):
    # Source: `sha256sum` of GNU coreutils.
    folder = two[1].shelf.folder
    assert "pyarrow.parquet.read_table" in " ".join((folder / "READ-ME.txt").read_text().split())
    checked = ["sha256sum", "--check", "--strict", "SHA256SUMS"]
    assert subprocess.run(checked, cwd=folder, capture_output=True).returncode == 0
    cut(two[1])
    assert subprocess.run(checked, cwd=folder, capture_output=True).returncode == 1


def move_away(store) -> None:
    for file in store.archived():
        file.path.rename(file.path.with_suffix(".away"))


def put_back(store) -> None:
    for file in store.archived():
        file.path.with_suffix(".away").rename(file.path)
    store.look_at_archive()


def cut(store) -> None:
    for file in store.archived():
        os.truncate(file.path, file.size_bytes - 9)


def change(store) -> None:
    """One byte, and the file's time as it was."""
    for file in store.archived():
        there = file.path.stat()
        with file.path.open("r+b") as stream:
            stream.seek(file.size_bytes // 2)
            byte = stream.read(1)[0]
            stream.seek(file.size_bytes // 2)
            stream.write(bytes([byte ^ 1]))
        os.utime(file.path, ns=(there.st_atime_ns, there.st_mtime_ns))


@pytest.mark.parametrize(("harm", "word"), [(move_away, "is missing"), (cut, "SHA-256"), (change, "SHA-256")])
def test_a_month_whose_file_is_gone_or_another_one_is_unknown_and_named_by_every_question(two, harm, word):
    _, filed = two
    harm(filed)
    again = SqliteSeriesStore(filed.file.path, archive=filed.shelf.folder)
    assert again.slice(AIR, T0, T0 + DAY).time_s.size == 0
    again.look_at_archive()
    for why in (*again.archived().values(), again.unreadable(T0, T0 + DAY)):
        assert word in why
        assert MONTH in why
    assert again.unreadable(T0 + 60 * DAY, FAR) == ""
    assert again.buckets(AIR, T0, T0 + DAY, 900) == []
    assert again.readings_after(0, 10) == []
    again.close()


def test_a_store_whose_newest_month_is_away_is_not_taken_for_another_one(two):
    _, filed = two
    judged = filed.readings_after(filed.last_order() - 1, 1)[0]
    time_s = judged.reading.time_s
    state = replace(
        first_state(build_shop(load(config_folder() / "ferrymoor.toml")), time_s),
        order=judged.order,
        judged_s=time_s,
        store=filed.identity(),
    )
    assert other_store(filed, state) == ""
    move_away(filed)
    again = SqliteSeriesStore(filed.file.path, archive=filed.shelf.folder)
    assert other_store(again, state) == ""
    assert "is missing" in again.unreadable(time_s, time_s + 1.0)
    again.close()


def test_a_file_put_back_is_read_again(two):
    rows, filed = two
    move_away(filed)
    assert filed.slice(AIR, T0, T0 + DAY).time_s.size == 0
    assert filed.unreadable(T0, T0 + DAY)
    put_back(filed)
    assert filed.unreadable(T0, T0 + DAY) == ""
    assert answers(filed) == answers(rows)


def test_a_file_that_is_changed_while_the_service_runs_is_no_longer_believed(two):
    _, filed = two
    assert filed.slice(AIR, T0, T0 + DAY).time_s.size > 0
    cut(filed)
    assert filed.slice(HUMIDITY, T0, T0 + DAY).time_s.size == 0
    assert "SHA-256" in filed.unreadable(T0, T0 + DAY)


def test_a_reading_for_a_month_that_cannot_be_read_is_kept_aside_and_its_sums_stay(two):
    _, filed = two
    hours = filed.buckets(AIR, T0, T0 + DAY, 3600)
    move_away(filed)
    found = filed.append(
        [Reading(AIR, T0 + 31.0, T0 + 99.0, 1.0), Reading(AIR, T0 + 50 * DAY, T0 + 50 * DAY, 2.0)]
    )
    assert found.stored == 1
    assert filed.set_aside()[0].reason == "month_unreadable"
    filed.write_points([Point(DEW, T0 + 600.0, 3.25)])
    with pytest.raises(StoreUnavailableError, match="is missing"):
        filed.mark([Mark(1_500, SensorStatus.FAILURE, "late")])
    filed.refresh_rollups()
    assert filed.buckets(AIR, T0, T0 + DAY, 3600) == hours
    put_back(filed)
    assert filed.append([Reading(AIR, T0 + 31.0, T0 + 99.0, 1.0)]).stored == 1


def test_a_store_without_the_library_says_what_to_install(two, monkeypatch):
    _, filed = two
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    again = SqliteSeriesStore(filed.file.path, archive=filed.shelf.folder)
    again.look_at_archive()
    assert all("sh deploy/install.sh parquet" in why for why in again.archived().values())
    assert again.slice(AIR, T0, T0 + DAY).time_s.size == 0
    with pytest.raises(StoreUnavailableError, match="install"):
        restore_month(again, MONTH)
    again.close()


def test_a_full_disk_leaves_the_month_where_it_was_and_no_half_file(tmp_path, small_disk):
    store = SqliteSeriesStore(tmp_path / "series.sqlite", archive=small_disk / "share")
    fill(store)
    store.pack(FAR)
    wanted = answers(store)
    filler = small_disk / "filler"
    with suppress(OSError), filler.open("wb", buffering=0) as stream:
        while True:
            stream.write(b"x" * 4_096)
    with pytest.raises(StoreUnavailableError, match=r"full|space|large"):
        archive_month(store, MONTH, {})
    assert (answers(store), store.archived()) == (wanted, {})
    assert list((small_disk / "share").iterdir()) == []
    filler.unlink()
    assert archive_all(store) > 5_000
    assert answers(store) == wanted
    store.close()


def test_no_month_is_moved_while_one_before_it_cannot_be_read(two):
    """A share that is away leaves an empty folder in its place."""
    _, filed = two
    filed.append([Reading(AIR, T0 + 40 * DAY, T0 + 40 * DAY, 1.0)])
    filed.pack(FAR)
    move_away(filed)
    with pytest.raises(StoreUnavailableError, match="is missing"):
        archive_month(filed, "2023-12", {})
    put_back(filed)
    assert archive_month(filed, "2023-12", {}) == 1


def test_many_who_read_at_once_are_not_taken_for_a_folder_that_hangs(two):
    rows, filed = two
    wanted = rows.slice(AIR, T0, T0 + DAY).value.tolist()
    with ThreadPoolExecutor(24) as pool:
        found = list(pool.map(lambda _: filed.slice(AIR, T0, T0 + DAY).value.tolist(), range(96)))
    assert all(one == wanted for one in found)
    assert filed.unreadable(0.0, FAR) == ""


def test_a_folder_that_never_answers_holds_nobody_up(tmp_path, monkeypatch):
    monkeypatch.setattr(shelf_module, "TOTAL_S", 0.2)
    hanging = tmp_path / "2023-11-readings.parquet"
    os.mkfifo(hanging)  # to open it waits for somebody to write
    files = [MonthFile(n, hanging, MONTH, False, "", 0, 1) for n in range(1, 40)]
    shelf = Shelf(tmp_path)
    for _ in range(6):
        shelf.look(files)
    assert len(shelf.faults) == len(files)
    assert all("took longer than 0.2 s" in why for why in shelf.faults.values())
    assert shelf._stuck <= shelf_module.MOST_STUCK
    with hanging.open("wb"):  # lets go of who waits
        pass


ARCHIVER = """
import sys
from pathlib import Path
from monitor.store.contract import StoreUnavailableError
from monitor.store.months.archiving import archive_month, restore_month
from monitor.store.series.sqlite_series import SqliteSeriesStore
store = SqliteSeriesStore(Path(sys.argv[1]), archive=Path(sys.argv[2]))
archive_month(store, "1990-01", {})
print("open", flush=True)
while True:
    archive_month(store, "2023-11", {})
    restore_month(store, "2023-11")
"""


def test_a_kill_in_the_middle_of_archiving_or_taking_back_loses_nothing(tmp_path):
    path, folder = tmp_path / "series.sqlite", tmp_path / "share"
    store = SqliteSeriesStore(path, archive=folder)
    fill(store)
    store.pack(FAR)
    wanted, everything = answers(store), live(store)
    store.close()
    chance = random.Random(3)
    for _ in range(8):
        run = [sys.executable, "-c", ARCHIVER, str(path), str(folder)]
        with subprocess.Popen(run, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]) as archiver:
            assert archiver.stdout is not None
            archiver.stdout.readline()
            sleep(chance.uniform(0.0, 0.7))  # the moment of the kill is what is on trial
            archiver.send_signal(signal.SIGKILL)
        store = SqliteSeriesStore(path, archive=folder)
        assert answers(store) == wanted
        store.close()
    store = SqliteSeriesStore(path, archive=folder)
    archive_all(store)
    assert (live(store), sum(one.n for one in store.archived())) == (0, everything)
    assert answers(store) == wanted
    store.close()


def test_a_reading_in_an_empty_stretch_of_a_month_being_moved_keeps_its_sums(two, monkeypatch):
    rows, filed = two
    restore_month(filed, MONTH)
    empty_s = span_of(MONTH)[0] / 1000.0 + 60.0

    def disturb(file):
        for store in (rows, filed):
            store.append([Reading(AIR, empty_s, empty_s + 9.0, 1.0)])
            store.refresh_rollups()

    monkeypatch.setattr("monitor.store.months.archiving.to_disk", disturb)
    with pytest.raises(StoreUnavailableError, match="came in while"):
        archive_month(filed, MONTH, {})
    assert filed.buckets(AIR, empty_s - 60.0, empty_s + 3600.0, 900) == rows.buckets(
        AIR, empty_s - 60.0, empty_s + 3600.0, 900
    )


def test_a_month_that_changes_while_it_is_written_stays_where_it_is(two, monkeypatch):
    rows, filed = two
    restore_month(filed, MONTH)
    before = live(filed)

    def disturb(file):
        for store in (rows, filed):
            store.append([Reading(AIR, T0 + 31.0, T0 + 99.0, 1.0)])
        filed.pack(FAR)

    monkeypatch.setattr("monitor.store.months.archiving.to_disk", disturb)
    with pytest.raises(StoreUnavailableError, match="came in while"):
        archive_month(filed, MONTH, {})
    assert live(filed) == before + 1
    assert filed.archived() == {}
    assert answers(filed) == answers(rows)
