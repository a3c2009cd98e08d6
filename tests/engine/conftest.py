"""What the tests of the whole service share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import disks


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of six megabytes."""
    with disks.small_disk(tmp_path, 6) as disk:
        yield disk
