"""How tests run: random ones the same in every run of the suite, and files side by side where asked for."""

import pytest
from hypothesis import settings

# A busy machine is no failure, so nothing is timed.
settings.register_profile("suite", derandomize=True, deadline=None)
# Own seeds and many examples: `tests/bench/random_laws.py` runs with it.
settings.register_profile("long", deadline=None, print_blob=True)
settings.load_profile("suite")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """In the order of their names: rooms with the longest tests come early, many short files last."""
    from tests.side_by_side import ByFile  # asked for with `-n` only

    config.option.loadscopereorder = False
    return ByFile(config, log)
