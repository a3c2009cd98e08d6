"""A yard in a folder of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.keeping.yard import Yard, yard_settings


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    yard = Yard(tmp_path, yard_settings(tmp_path))
    yield yard
    yard.close()
