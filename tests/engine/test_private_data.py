"""What the service keeps is its own user's: keys and data, whatever the umask says."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.engine.link_key import KEY_BYTES, KEY_FILE, link_key
from monitor.model.errors import InputError
from monitor.settings.file import load
from monitor.settings.schema import Settings
from monitor.store.folder_beside import BesideInFolder
from monitor.store.private import private_folder, write_private
from tests.test_settings import SMALL, write

WORK = """
import os, sys
from pathlib import Path
os.umask(int(sys.argv[2], 8))
from monitor.engine.link_key import link_key
from monitor.settings.file import load
from monitor.store.backup import back_up
from monitor.store.folder_beside import BesideInFolder
from monitor.store.folder_lock import hold
from monitor.store.opener import open_ledger_for, open_series_store
from monitor.weather.forecast_archive import FILE, ForecastArchive
settings = load(Path(sys.argv[1]))
folder = settings.service.data_dir
with hold(folder):
    link_key(settings, BesideInFolder(settings.service.data_dir))
    series, ledger = open_series_store(settings), open_ledger_for(settings)
    archive = ForecastArchive(folder / FILE)
    back_up(series, ledger, folder.parent / "backup", 1.8e9, beside=[archive])
    for kept in sorted(folder.rglob("*")):
        print(kept)
"""


def settings(folder: Path) -> Settings:
    return load(write(folder, SMALL))


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("umask", ["000", "022", "077"])
def test_keys_data_and_backups_are_closed_to_others_whatever_the_umask(tmp_path: Path, umask: str) -> None:
    file = write(tmp_path, SMALL)
    command = [sys.executable, "-c", WORK, str(file), umask]
    listed = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout.split()
    folder = tmp_path / "var"
    assert {KEY_FILE, "series.sqlite-wal"} <= {Path(one).name for one in listed}
    (backup,) = (tmp_path / "backup").iterdir()
    kept = [folder, backup, *folder.rglob("*"), *backup.glob("*.sqlite")]
    assert len(kept) > 8
    open_ = {str(one): oct(mode(one)) for one in kept if mode(one) & 0o077}
    assert open_ == {}


def test_data_of_an_older_version_are_closed_as_they_are_opened(tmp_path: Path) -> None:
    own = settings(tmp_path)
    folder = own.service.data_dir
    folder.mkdir(mode=0o755)
    key = folder / KEY_FILE
    key.write_bytes(b"k" * KEY_BYTES)
    key.chmod(0o644)
    private_folder(folder)
    assert link_key(own, BesideInFolder(own.service.data_dir)) == b"k" * KEY_BYTES
    assert (mode(folder), mode(key)) == (0o700, 0o600)


def test_a_folder_that_is_everybodys_is_left_as_it_is(tmp_path: Path) -> None:
    tmp_path.chmod(0o1777)
    private_folder(tmp_path)
    assert mode(tmp_path) == 0o1777


@pytest.mark.parametrize("kept", [b"", b"x", b"x" * (KEY_BYTES - 1)])
def test_an_empty_or_short_kept_key_is_refused_and_left_alone(tmp_path: Path, kept: bytes) -> None:
    own = settings(tmp_path)
    private_folder(own.service.data_dir)
    file = own.service.data_dir / KEY_FILE
    file.write_bytes(kept)
    with pytest.raises(InputError, match=f"holds {len(kept)} bytes and is no key; remove it"):
        link_key(own, BesideInFolder(own.service.data_dir))
    assert file.read_bytes() == kept


def test_a_key_is_made_once(tmp_path: Path) -> None:
    own = settings(tmp_path)
    private_folder(own.service.data_dir)
    made = link_key(own, BesideInFolder(own.service.data_dir))
    assert len(made) == KEY_BYTES
    assert link_key(own, BesideInFolder(own.service.data_dir)) == made
    assert [one.name for one in own.service.data_dir.iterdir()] == [KEY_FILE]


def test_a_write_that_fails_leaves_no_half_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is full at the moment of making it durable."""

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_private(tmp_path / KEY_FILE, b"k" * KEY_BYTES)
    assert not (tmp_path / KEY_FILE).exists()
    monkeypatch.undo()
    write_private(tmp_path / KEY_FILE, b"k" * KEY_BYTES)
    assert (tmp_path / KEY_FILE).read_bytes() == b"k" * KEY_BYTES
