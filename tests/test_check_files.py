"""`dryshift check` sees files and folders as its user does, so that `run` meets nothing new."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli.main import main
from tests.test_settings import SMALL, write

NOBODY = 65_534
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can look as somebody else does")


def check(folder: Path, more: str) -> Result:
    return CliRunner().invoke(main, ["check", "--no-broker", str(write(folder, SMALL + more))])


@contextmanager
def as_nobody() -> Iterator[None]:
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)


def opened(folder: Path) -> None:
    """Let others pass through pytest's own folders."""
    for place in (folder, *folder.parents):
        if place != Path("/tmp") and place != Path("/"):
            place.chmod(place.stat().st_mode | 0o011)


@pytest.mark.parametrize("name", ["ca_file", "cert_file"])
def test_a_certificate_that_is_not_there_or_is_none_is_a_fault(tmp_path: Path, name: str) -> None:
    missing = check(tmp_path, f'[mqtt]\n{name} = "{tmp_path}/none.crt"\n')
    assert missing.exit_code == 1
    assert f"mqtt.{name}" in missing.output
    assert "No such file" in missing.output
    (tmp_path / "words.crt").write_text("no certificate", encoding="utf-8")
    assert check(tmp_path, f'[mqtt]\n{name} = "{tmp_path}/words.crt"\n').exit_code == 1


def test_a_folder_below_a_file_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    said = check(tmp_path, f'[store]\nbackup_dir = "{tmp_path}/file/backup"\n')
    assert said.exit_code == 1
    assert "store.backup_dir" in said.output


@needs_root
def test_what_only_root_may_use_is_a_fault_for_the_services_user(tmp_path: Path) -> None:
    shop = f'[store]\nbackup_dir = "{tmp_path}/backup"\n'
    assert check(tmp_path, shop).exit_code == 0
    opened(tmp_path)
    (tmp_path / "shop.toml").chmod(0o644)
    with as_nobody():
        said = CliRunner().invoke(main, ["check", "--no-broker", str(tmp_path / "shop.toml")])
    assert said.exit_code == 1
    assert "service.data_dir" in said.output
    assert "store.backup_dir" in said.output


@needs_root
def test_data_that_root_made_are_a_fault_for_the_services_user(tmp_path: Path) -> None:
    """As after a first run by hand as root."""
    assert check(tmp_path, "").exit_code == 0
    opened(tmp_path)
    data = tmp_path / "var"
    data.mkdir(mode=0o777)
    data.chmod(0o777)
    (data / "ledger.sqlite").touch(mode=0o600)
    with as_nobody():
        said = CliRunner().invoke(main, ["check", "--no-broker", str(tmp_path / "shop.toml")])
    assert said.exit_code == 1
    assert "belongs to somebody else" in said.output
