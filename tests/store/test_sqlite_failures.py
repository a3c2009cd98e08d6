"""The embedded store under real trouble: full disk, no rights, locks, damage, sudden death."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import textwrap
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import pytest

from monitor.model.reading import Mark, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.store.contract import StoreUnavailableError
from monitor.store.kept_beside import Schema
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.store.sqlite_file import IDLE_READERS, SqliteFile

T0 = 1_700_006_400.0
KEY = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)
ROOT = os.geteuid() == 0


def batch(first, count, key=KEY):
    return [Reading(key, T0 + n, T0 + n, n % 10 + 0.5, n, True) for n in range(first, first + count)]


@contextmanager
def without_rights():
    """As a user who may not write everywhere."""
    if ROOT:
        os.seteuid(65_534)
    try:
        yield
    finally:
        if ROOT:
            os.seteuid(0)


def test_a_full_disk_is_named_loses_nothing_acknowledged_and_heals_by_itself(small_disk):
    filler = small_disk / "filler"
    filler.write_bytes(bytes(700_000))
    store = SqliteSeriesStore(small_disk / "series.sqlite")
    acknowledged = [0]

    def fill():
        while acknowledged[0] < 1_000_000:
            store.append(batch(acknowledged[0], 500))
            acknowledged[0] += 500

    with pytest.raises(StoreUnavailableError, match="disk is full"):
        fill()
    acknowledged = acknowledged[0]
    assert acknowledged > 0
    with pytest.raises(StoreUnavailableError, match="disk is full"):
        store.mark([Mark(n, SensorStatus.FAILURE, "x" * 200) for n in range(1, acknowledged)])
    assert len(store.readings_after(0, 1_000_000)) == acknowledged
    assert store.counts() == {
        "stored": acknowledged,
        "repeated": 0,
        "contradicting": 0,
        "set_aside": 0,
        "let_go": 0,
        "doubtful": 0,
    }
    assert sum(b.n for b in store.buckets(KEY, T0, T0 + 1e6, 3600)) == acknowledged
    filler.unlink()
    result = store.append(batch(acknowledged - 100, 300))
    assert (result.stored, result.repeated) == (200, 100)
    assert sum(b.n for b in store.buckets(KEY, T0, T0 + 1e6, 3600)) == acknowledged + 200
    store.close()


def test_a_limit_on_file_size_is_named_and_nothing_is_half_written(tmp_path):
    script = """
        import resource, sys
        from pathlib import Path
        resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
        from monitor.store.contract import StoreUnavailableError
        from tests.store.test_sqlite_failures import batch
        from monitor.store.series.sqlite_series import SqliteSeriesStore
        store = SqliteSeriesStore(Path(sys.argv[1]))
        done = 0
        try:
            while True:
                store.append(batch(done, 500))
                done += 500
        except StoreUnavailableError as error:
            print(done, len(store.readings_after(0, 10**6)), store.counts()["stored"], error)
    """
    path = tmp_path / "series.sqlite"
    ran = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), path], capture_output=True, text=True, check=True
    )
    done, held, counted, *words = ran.stdout.split()
    assert int(done) > 0
    assert done == held == counted
    assert "disk" in words
    store = SqliteSeriesStore(path)
    assert store.append(batch(int(done), 500)).stored == 500
    store.close()


@pytest.mark.parametrize("what", ["folder", "file"])
def test_missing_rights_are_named(tmp_path, what):
    path = tmp_path / "data" / "series.sqlite"
    store = SqliteSeriesStore(path)
    store.append(batch(0, 10))
    store.close()
    for folder in (tmp_path.parent.parent, tmp_path.parent, tmp_path):
        folder.chmod(0o755)
    if what == "file":
        path.chmod(0o444)
    path.parent.chmod(0o555)
    with (
        without_rights(),
        pytest.raises(StoreUnavailableError, match=r"series\.sqlite: .*(right|read-only|Permission denied)"),
    ):
        SqliteSeriesStore(path if what == "file" else path.parent / "deep" / "series.sqlite")
    path.parent.chmod(0o755)


def test_a_folder_that_is_a_file_is_named(tmp_path):
    (tmp_path / "data").write_text("here")
    with pytest.raises(StoreUnavailableError, match="check the folder"):
        SqliteSeriesStore(tmp_path / "data" / "series.sqlite")


def test_a_file_locked_by_another_program_is_named_read_anyway_and_written_later(tmp_path):
    path = tmp_path / "series.sqlite"
    store = SqliteSeriesStore(path, busy_timeout_s=0.05)
    store.append(batch(0, 10))
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailableError, match="another program holds the file locked"):
        store.append(batch(10, 10))
    assert len(store.readings_after(0, 100)) == 10
    other.execute("ROLLBACK")
    other.close()
    assert store.append(batch(0, 20)).stored == 10
    store.close()


@pytest.mark.parametrize(
    "content", [b"this is no database at all" * 400, b"SQLite format 3\0" + b"\xff" * 9000]
)
def test_a_file_that_is_no_database_is_named_and_left_alone(tmp_path, content):
    path = tmp_path / "series.sqlite"
    path.write_bytes(content)
    with pytest.raises(StoreUnavailableError, match="restore the last backup") as told:
        SqliteSeriesStore(path)
    assert told.value.__cause__ is not None  # it holds the frames, and with them what they left open
    assert open_here(path) == 0
    assert path.read_bytes() == content


def open_here(path: Path) -> int:
    """How many times this process holds a file open (as Linux tells)."""
    return sum(
        os.path.realpath(f"/proc/self/fd/{number}") == str(path) for number in os.listdir("/proc/self/fd")
    )


def test_damage_inside_the_file_is_named_when_it_is_met(tmp_path):
    path = tmp_path / "series.sqlite"
    store = SqliteSeriesStore(path)
    store.append(batch(0, 5000))
    store.close()
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(size // 3 // 4096 * 4096)
        file.write(random.Random(1).randbytes(size // 3))
    store = SqliteSeriesStore(path)
    with pytest.raises(StoreUnavailableError, match="damaged"):
        store.readings_after(0, 10_000)
    with pytest.raises(StoreUnavailableError, match="damaged"):
        store.backup(tmp_path / "backup")
    assert list((tmp_path / "backup").glob("*.sqlite")) == []
    store.close()


def test_a_file_of_a_newer_version_or_of_another_program_is_left_alone(tmp_path):
    path = tmp_path / "series.sqlite"
    SqliteSeriesStore(path).close()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreUnavailableError, match="newer version"):
        SqliteSeriesStore(path)
    SqliteFile(tmp_path / "other", Schema(7, ["CREATE TABLE x (y)"])).close()
    with pytest.raises(StoreUnavailableError, match="another program"):
        SqliteSeriesStore(tmp_path / "other")


def test_a_schema_step_that_fails_leaves_the_file_as_it_was(tmp_path):
    first = Schema(7, ["CREATE TABLE x (y)"])
    SqliteFile(tmp_path / "f", first).close()
    with pytest.raises(StoreUnavailableError):
        SqliteFile(tmp_path / "f", Schema(7, [*first.steps, "CREATE TABLE z (y);\n\nCREATE TABLE x (y)"]))
    again = SqliteFile(tmp_path / "f", Schema(7, [*first.steps, "CREATE TABLE z (y)"]))
    with again.read() as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == 2
    again.close()


def test_sudden_death_loses_no_acknowledged_reading(tmp_path):
    script = """
        import sys
        from pathlib import Path
        from tests.store.test_sqlite_failures import batch
        from monitor.store.series.sqlite_series import SqliteSeriesStore
        store = SqliteSeriesStore(Path(sys.argv[1]))
        for first in range(0, 10**9, 100):
            store.append(batch(first, 100))
            print(first + 100, flush=True)
    """
    path = tmp_path / "series.sqlite"
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script), path], stdout=subprocess.PIPE, text=True
    ) as writer:
        acknowledged = [int(writer.stdout.readline()) for _ in range(40)]
        writer.send_signal(signal.SIGKILL)
        acknowledged += [int(line) for line in writer.stdout.read().split("\n")[:-1]]
    store = SqliteSeriesStore(path)
    held = store.counts()["stored"]
    assert held - acknowledged[-1] in (0, 100)
    assert len(store.readings_after(0, 10**6)) == held
    assert sum(b.n for b in store.buckets(KEY, T0, T0 + 1e6, 3600)) == held
    store.close()


def test_many_threads_write_and_read_at_once(tmp_path):
    store = SqliteSeriesStore(tmp_path / "series.sqlite")
    keys = [SeriesKey("slip-bay", f"wall-{n}", Quantity.AIR_TEMPERATURE) for n in range(4)]

    def write(key):
        for first in range(0, 3000, 100):
            store.append(batch(first, 100, key))
            store.refresh_rollups()

    def read(key):
        seen = 0
        while seen < 3000:
            held = sum(b.n for b in store.buckets(key, T0, T0 + 1e6, 600))
            assert held >= seen
            assert held % 100 == 0
            seen = held

    with ThreadPoolExecutor(8) as pool:
        for done in [*(pool.submit(write, key) for key in keys), *(pool.submit(read, key) for key in keys)]:
            done.result()
    orders = [item.order for item in store.readings_after(0, 20_000)]
    assert orders == list(range(1, 12_001))
    store.close()


def test_two_programs_on_one_file_keep_orders_series_and_sums_right(tmp_path):
    one = SqliteSeriesStore(tmp_path / "series.sqlite")
    two = SqliteSeriesStore(tmp_path / "series.sqlite")
    one.append(batch(0, 10))
    two.append(batch(10, 10))
    two.refresh_rollups()
    one.append(batch(5, 20))
    two.append(batch(100, 5, KEY._replace(source="wall-2")))
    one.append(batch(100, 5, KEY._replace(source="wall-2")))
    assert one.counts()["stored"] == 30
    assert [b.n for b in two.buckets(KEY, T0, T0 + 3600, 3600)] == [25]
    assert len({item.order for item in one.readings_after(0, 100)}) == 30
    one.close()
    two.close()


@pytest.mark.parametrize(
    ("where", "count"), [("fresh_reading", 5), ("reading", 3_000), ("stale_hour", 3_000)]
)
def test_a_failed_write_leaves_no_trace_in_what_the_store_remembers(tmp_path, where, count):
    """Whether adding rows fails, or filing them by series, which many rows bring about."""
    store = SqliteSeriesStore(tmp_path / "series.sqlite", busy_timeout_s=0.05)
    store.append(batch(0, 1))
    with closing(sqlite3.connect(tmp_path / "series.sqlite")) as db, db:
        db.execute(f"CREATE TRIGGER no BEFORE INSERT ON {where} BEGIN SELECT RAISE(ABORT, 'no'); END")
    with pytest.raises(StoreUnavailableError):
        store.append(batch(100_000, count, KEY._replace(source="wall-2")))
    with closing(sqlite3.connect(tmp_path / "series.sqlite")) as db, db:
        db.execute("DROP TRIGGER no")
    db.close()
    assert store.keys() == [KEY]
    assert store.append(batch(100_000, count, KEY._replace(source="wall-2"))).last_order == 1 + count
    assert sum(b.n for b in store.buckets(KEY._replace(source="wall-2"), T0, T0 + 1e6, 86_400)) == count
    assert store.counts()["stored"] == 1 + count
    store.close()


def test_a_backup_made_while_writing_is_whole_and_replaces_the_one_before(tmp_path):
    store = SqliteSeriesStore(tmp_path / "series.sqlite")
    store.append(batch(0, 1000))
    target = store.backup(tmp_path / "backup")
    with ThreadPoolExecutor(1) as pool:
        writing = pool.submit(lambda: [store.append(batch(first, 100)) for first in range(1000, 5000, 100)])
        assert store.backup(tmp_path / "backup") == target
        writing.result()
    assert sorted(path.name for path in Path(target.parent).iterdir()) == ["series.sqlite"]
    copy = SqliteSeriesStore(target)
    held = copy.counts()["stored"]
    assert held >= 1000
    assert sum(b.n for b in copy.buckets(KEY, T0, T0 + 1e6, 60)) == held
    assert len(copy.readings_after(0, 10_000)) == held
    copy.close()
    store.close()


def test_of_many_that_read_at_once_few_connections_with_their_caches_are_kept(tmp_path):
    file = SqliteFile(tmp_path / "series.sqlite", Schema(1, ["CREATE TABLE one (n INTEGER)"]))
    with ExitStack() as many:
        for _ in range(3 * IDLE_READERS):
            many.enter_context(file.read()).execute("SELECT count(*) FROM one").fetchone()
    assert file._idle.qsize() == IDLE_READERS
    with file.read() as db:
        assert db.execute("SELECT count(*) FROM one").fetchone() == (0,)
    file.close()
