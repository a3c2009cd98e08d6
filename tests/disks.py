"""A disk so small that a test can fill it."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A file system of so many megabytes, mounted below a folder; the test is skipped where none can be."""
    disk = folder / "disk"
    disk.mkdir()
    mount = shutil.which("mount")
    if os.geteuid() != 0 or mount is None:
        pytest.skip("only root can mount a small disk")
    command = [mount, "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", disk]
    done = subprocess.run(command, capture_output=True)
    if done.returncode:
        pytest.skip(f"no small disk can be mounted here: {done.stderr.decode().strip()}")
    try:
        yield disk
    finally:
        subprocess.run(["umount", disk], check=True)
