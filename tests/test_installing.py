"""The installer: tested versions and no others, and plain words where it cannot go on."""

import os
import re
import shutil
import subprocess
import tempfile
import tomllib
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
TESTED = {
    canonicalize_name(name): number
    for name, number in re.findall(
        r"^([\w.-]+)==(\S+)$", (ROOT / "deploy" / "tested-versions.txt").read_text("utf-8"), re.MULTILINE
    )
}
NAMED = [
    *PROJECT["build-system"]["requires"],
    *PROJECT["project"]["dependencies"],
    *(line for extra in PROJECT["project"]["optional-dependencies"].values() for line in extra),
]
NOBODY = 65_534


def test_every_library_named_has_a_tested_version_that_may_be_used() -> None:
    wanted = {line: Requirement(line) for line in NAMED}
    tested = {line: TESTED.get(canonicalize_name(one.name)) for line, one in wanted.items()}
    assert [
        line for line, found in tested.items() if not found or not wanted[line].specifier.contains(found)
    ] == []


def test_what_the_tests_run_on_is_what_the_installer_installs() -> None:
    """`sh deploy/test.sh` brings an older .venv up to date; sh deploy/renew-versions.sh renews the file."""
    other = {}
    for name, number in TESTED.items():
        try:
            if version(name) != number:
                other[name] = (version(name), number)
        except PackageNotFoundError:
            continue  # it only builds, or belongs to another extra
    assert other == {}


@pytest.fixture
def clone() -> Iterator[Path]:
    """What the installer needs of a checkout, in a folder that an ordinary user may read."""
    folder = Path(tempfile.mkdtemp(prefix="dryshift-clone-"))
    folder.chmod(0o755)
    shutil.copytree(ROOT / "deploy", folder / "deploy")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder)
    yield folder
    shutil.rmtree(folder)


def install(clone: Path, *arguments: str, path: str, **how: int) -> subprocess.CompletedProcess[str]:
    """Run the installer with no package index to go to."""
    environment = {"PATH": path, "PIP_NO_INDEX": "1", "PIP_CONFIG_FILE": os.devnull, "HOME": str(clone)}
    command = [str(shutil.which("sh")), str(clone / "deploy" / "install.sh"), *arguments]
    return subprocess.run(
        command, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, **how
    )


@pytest.mark.skipif(shutil.which("dpkg-query") is None, reason="this is no Debian")
def test_without_sudo_it_ends_with_the_line_that_root_types(clone: Path) -> None:
    tools = clone / "tools"
    tools.mkdir()
    for name in ("sh", "dirname", "id", "dpkg-query", "grep", "getconf"):
        (tools / name).symlink_to(str(shutil.which(name)))
    ordinary = {"user": NOBODY, "group": NOBODY} if os.geteuid() == 0 else {}
    done = install(clone, "test", "no-such-package", path=str(tools), **ordinary)
    assert done.returncode == 1
    line = "  apt-get update && apt-get install -y --no-install-recommends no-such-package python3-venv"
    assert line in done.stderr.splitlines()
    assert "not found" not in done.stderr


def test_whoever_installs_the_servers_of_the_tests_by_hand_is_told_to_leave_them_off(clone: Path) -> None:
    tools = clone / "tools"
    tools.mkdir()
    for name in ("sh", "dirname", "id", "grep", "getconf"):
        (tools / name).symlink_to(str(shutil.which(name)))
    none = tools / "dpkg-query"
    none.write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
    none.chmod(0o755)
    ordinary = {"user": NOBODY, "group": NOBODY} if os.geteuid() == 0 else {}
    done = install(clone, "test", "mosquitto", "curl", "nginx-light", path=str(tools), **ordinary)
    assert (
        "  systemctl disable --now mosquitto nginx   # the tests start their own" in done.stderr.splitlines()
    )


def test_a_moved_clone_gets_a_venv_of_its_own_and_no_index_is_said_in_a_few_lines(clone: Path) -> None:
    (clone / ".venv").mkdir()
    (clone / ".venv" / "of-the-old-place").touch()
    (clone / ".venv" / "installed-run").write_text("/srv/old/place\n", encoding="utf-8")
    done = install(clone, path=os.environ["PATH"])
    assert done.returncode == 1
    assert not (clone / ".venv" / "of-the-old-place").exists()
    assert not (clone / ".venv" / "installed-run").exists()
    assert "pip could not install the libraries" in done.stderr
    assert f"{clone}/.venv/install.log" in done.stderr
    assert len(done.stderr.splitlines()) <= 4


def test_a_32_bit_system_is_told_what_to_install(clone: Path) -> None:
    tools = clone / "tools"
    tools.mkdir()
    getconf = tools / "getconf"
    getconf.write_text("#!/bin/sh\necho 32\n", encoding="utf-8")
    getconf.chmod(0o755)
    done = install(clone, path=f"{tools}:{os.environ['PATH']}")
    assert done.returncode == 1
    assert "64-bit Raspberry Pi OS" in done.stderr


def test_an_extra_that_is_none_is_told_with_those_that_there_are(clone: Path) -> None:
    done = install(clone, "papers", path=os.environ["PATH"])
    assert done.returncode == 1
    assert "no extra papers" in done.stderr
    assert "paper" in done.stderr
