"""How random tests run: the same in every run of the suite; at random only where that is asked for."""

from hypothesis import settings

# A busy machine is no failure, so nothing is timed.
settings.register_profile("suite", derandomize=True, deadline=None)
# Own seeds and many examples: `tests/bench/random_laws.py` runs with it.
settings.register_profile("long", deadline=None, print_blob=True)
settings.load_profile("suite")
