"""A backup made while the service runs can be checked, and put back."""

import json

import numpy as np
import pytest

from monitor.model.errors import InputError
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.store.backup import MANIFEST, back_up, backups, check_backup, restore
from monitor.store.contract import Checkpoint, StoreUnavailableError
from monitor.store.folder_lock import hold
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.months.archiving import restore_month
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.weather.forecast_archive import FILE, ForecastArchive
from monitor.weather.provider import OutdoorForecast
from tests.store.conftest import archive_all

NOW = 1_700_006_400.0
KEY = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)


@pytest.fixture
def shop(tmp_path):
    series = SqliteSeriesStore(tmp_path / "data" / "series.sqlite")
    ledger = open_ledger(f"sqlite:///{tmp_path}/data/ledger.sqlite")
    fill(series, ledger, 0)
    yield series, ledger
    series.close()
    ledger.close()


def fill(series, ledger, first):
    last = series.append([Reading(KEY, NOW + n, NOW + n, 1.0) for n in range(first, first + 10)]).last_order
    ledger.commit(
        [NewEvent(EventKind.BEAD, f"bead-{first}", NOW, "lead", {})],
        entered_s=NOW,
        checkpoint=Checkpoint(last, NOW, b"state"),
    )


def test_a_backup_is_put_back_whole_and_what_lay_there_is_kept(shop, tmp_path):
    folder = back_up(*shop, tmp_path / "backup", NOW)
    assert check_backup(folder).ledger_number == 1
    fill(*shop, 10)
    for store in shop:
        store.close()
    back = restore(folder, tmp_path / "data", NOW)
    assert sorted(path.name for path in back) == ["ledger.sqlite", "series.sqlite"]
    series = SqliteSeriesStore(tmp_path / "data" / "series.sqlite")
    ledger = open_ledger(f"sqlite:///{tmp_path}/data/ledger.sqlite")
    assert (series.last_order(), len(ledger.events())) == (10, 1)
    assert ledger.checkpoint().order <= series.last_order()
    series.close()
    ledger.close()
    kept = SqliteSeriesStore(tmp_path / "data" / "before-20231115T000000Z-series.sqlite")
    assert kept.last_order() == 20
    kept.close()


def test_issued_forecasts_are_in_the_backup_and_come_back(shop, tmp_path):
    archive = ForecastArchive(tmp_path / "data" / FILE)
    hours = np.arange(72.0)
    nothing = np.full(72, np.nan)
    issued = OutdoorForecast("office", NOW, NOW + hours * 3600.0, hours, 1000.0 + hours, nothing)
    archive.keep("ferrymoor", NOW, issued)
    folder = back_up(*shop, tmp_path / "backup", NOW, beside=[archive])
    for store in (*shop, archive):
        store.close()
    assert check_backup(folder).files.keys() == {"ledger.sqlite", "series.sqlite", FILE}
    restore(folder, tmp_path / "elsewhere", NOW)
    back = ForecastArchive(tmp_path / "elsewhere" / FILE)
    air, pressure = back.issued("ferrymoor", NOW, 1)
    back.close()
    np.testing.assert_array_equal(air[0], hours[1:49])
    np.testing.assert_array_equal(pressure[0], 1000.0 + hours[1:49])


def test_archived_months_are_copied_once_checked_and_put_back_where_they_lack(shop, tmp_path):
    series, _ledger = shop
    archive_all(series)
    (file,) = series.archived()
    folders = [back_up(*shop, tmp_path / "backup", NOW + n, keep=2) for n in range(3)]
    (copy,) = (tmp_path / "backup" / "months").iterdir()
    assert copy.read_bytes() == file.path.read_bytes()
    assert check_backup(folders[-1]).months == {copy.name: file.sha256}
    whole = series.slice(KEY, 0.0, NOW + 99.0).value.tolist()
    for store in shop:
        store.close()
    file.path.write_bytes(b"another")
    back = restore(folders[-1], tmp_path / "data", NOW)
    assert file.path in back
    assert (file.path.parent / f"before-20231115T000000Z-{file.path.name}").read_bytes() == b"another"
    series = SqliteSeriesStore(tmp_path / "data" / "series.sqlite")
    assert series.slice(KEY, 0.0, NOW + 99.0).value.tolist() == whole
    series.close()
    copy.write_bytes(copy.read_bytes()[:-1] + b"x")
    with pytest.raises(StoreUnavailableError, match="was changed since the backup"):
        check_backup(folders[-1])


def test_a_month_that_is_lost_keeps_nothing_else_out_of_the_backup_and_its_copy_serves(shop, tmp_path):
    series, _ledger = shop
    archive_all(series)
    (file,) = series.archived()
    back_up(*shop, tmp_path / "backup", NOW)
    file.path.unlink()
    series.look_at_archive()
    assert len(check_backup(back_up(*shop, tmp_path / "backup", NOW + 1)).months) == 1
    assert check_backup(back_up(*shop, tmp_path / "elsewhere", NOW)).months == {}


def test_copies_of_months_that_no_backup_names_go_with_the_last_that_did(shop, tmp_path):
    series, _ledger = shop
    archive_all(series)
    back_up(*shop, tmp_path / "backup", NOW, keep=1)
    restore_month(series, "2023-11")
    back_up(*shop, tmp_path / "backup", NOW + 1, keep=1)
    assert list((tmp_path / "backup" / "months").iterdir()) == []


def test_only_the_newest_backups_are_kept(shop, tmp_path):
    made = [back_up(*shop, tmp_path / "backup", NOW + n, keep=3) for n in range(5)]
    assert backups(tmp_path / "backup") == made[2:]
    assert backups(tmp_path / "nowhere") == []


@pytest.mark.parametrize("name", ["series.sqlite", "ledger.sqlite"])
def test_a_changed_or_missing_file_is_found(shop, tmp_path, name):
    folder = back_up(*shop, tmp_path / "backup", NOW)
    file = folder / name
    content = bytearray(file.read_bytes())
    content[-100] ^= 0xFF
    file.write_bytes(content)
    with pytest.raises(StoreUnavailableError, match="changed since the backup"):
        check_backup(folder)
    file.unlink()
    with pytest.raises(StoreUnavailableError, match="missing"):
        restore(folder, tmp_path / "data", NOW)


def test_a_ledger_cut_short_before_the_backup_is_found_by_its_witness(shop, tmp_path):
    folder = back_up(*shop, tmp_path / "backup", NOW)
    manifest = json.loads((folder / MANIFEST).read_text())
    (folder / MANIFEST).write_text(json.dumps({**manifest, "ledger_number": 2}))
    with pytest.raises(StoreUnavailableError, match="event 2 is missing"):
        check_backup(folder)


def test_a_folder_that_is_no_backup_is_named(tmp_path):
    with pytest.raises(InputError, match="backup"):
        check_backup(tmp_path)


def test_a_backup_that_cannot_be_written_is_named(shop, tmp_path):
    (tmp_path / "backup").write_text("a file")
    with pytest.raises(StoreUnavailableError, match="backup"):
        back_up(*shop, tmp_path / "backup", NOW)


def test_a_folder_that_a_service_runs_on_is_not_written_to_by_another(tmp_path):
    folder = tmp_path / "data"
    with hold(folder), pytest.raises(InputError, match="in use by a running service"), hold(folder):
        pass
    with hold(folder):
        pass
