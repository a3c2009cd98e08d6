"""The units: as shut in as systemd itself can say, and given what the example settings name."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
SERVICE = DEPLOY / "systemd" / "dryshift.service"
WATCHER = DEPLOY / "watch" / "dryshift-watch.service"
EXAMPLE = (DEPLOY.parent / "config" / "shop.example.toml").read_text(encoding="utf-8")
ANALYZE = shutil.which("systemd-analyze")
MOST_EXPOSED = 1.5


def lines(unit: Path) -> list[tuple[str, str]]:
    text = unit.read_text(encoding="utf-8")
    return [tuple(line.split("=", 1)) for line in text.splitlines() if re.match(r"\w+=", line)]  # type: ignore[misc]


@pytest.mark.skipif(ANALYZE is None, reason="systemd is not installed")
@pytest.mark.parametrize("unit", [SERVICE, WATCHER], ids=lambda unit: unit.name)
def test_systemd_finds_a_unit_hardly_exposed(unit: Path) -> None:
    """By systemd's own table (systemd-analyze(1), security): 0 is shut in, 10 is open."""
    command = [str(ANALYZE), "security", "--offline=true", "--no-pager", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True)
    found = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found.group(1)) <= MOST_EXPOSED


@pytest.mark.skipif(ANALYZE is None, reason="systemd is not installed")
@pytest.mark.parametrize("unit", [SERVICE, WATCHER], ids=lambda unit: unit.name)
def test_systemd_understands_every_line_of_a_unit(unit: Path) -> None:
    done = subprocess.run([str(ANALYZE), "verify", "--man=no", str(unit)], capture_output=True, text=True)
    mine = [line for line in done.stderr.splitlines() if unit.name in line and "not executable" not in line]
    assert mine == []


def test_the_service_may_write_where_the_example_lets_it_write() -> None:
    unit = lines(SERVICE)
    states = [f"/var/lib/{value}" for name, value in unit if name == "StateDirectory"]
    writable = [value.lstrip("-") for name, value in unit if name == "ReadWritePaths"]
    for setting, folders in (("data_dir", states), ("backup_dir", writable)):
        named = re.search(rf'^#? ?{setting} = "([^"]+)"', EXAMPLE, re.MULTILINE)
        assert named is not None
        assert named.group(1) in folders


def test_every_secret_that_the_example_names_reaches_the_service() -> None:
    """A whole folder is handed over, so a secret of any name is there."""
    assert ("LoadCredential", "secrets:/etc/dryshift/secrets") in lines(SERVICE)
    (start,) = (value for name, value in lines(SERVICE) if name == "ExecStart")
    assert start.endswith("--secrets ${CREDENTIALS_DIRECTORY}")


@pytest.mark.parametrize("unit", [SERVICE, WATCHER], ids=lambda unit: unit.name)
def test_a_unit_bounds_its_log(unit: Path) -> None:
    assert {"LogRateLimitIntervalSec", "LogRateLimitBurst"} <= {name for name, _ in lines(unit)}


def test_the_package_has_the_unit_and_every_script_that_it_needs() -> None:
    """Installed, upgraded, taken back, removed and purged by hand: sh tests/roots/package.sh SUITE."""
    build = (DEPLOY / "package" / "build.sh").read_text(encoding="utf-8")
    assert "deploy/systemd/dryshift.service" in build
    for name in ("preinst", "postinst", "prerm", "postrm", "dryshift-shop", "build.sh"):
        script = DEPLOY / "package" / name
        assert script.read_text(encoding="utf-8").startswith("#!/bin/sh\n")
        assert subprocess.run(["sh", "-n", str(script)]).returncode == 0
