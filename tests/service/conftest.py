"""What the tests of the whole service share."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of six megabytes."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = shutil.which("mount")
    if os.geteuid() != 0 or mount is None:
        pytest.skip("only root can mount a small disk")
    done = subprocess.run([mount, "-t", "tmpfs", "-o", "size=6m", "tmpfs", folder], capture_output=True)
    if done.returncode:
        pytest.skip(f"no small disk can be mounted here: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", folder], check=True)
