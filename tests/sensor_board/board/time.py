"""The clock of the simulated board: what it counts itself, and no time is spent on sleeping."""

from utime import *  # noqa: F403

import simulated

_began = ticks_ms()  # noqa: F405
_slept = 0


def elapsed_ms():
    return ticks_diff(_real(), _began) + _slept  # noqa: F405


_real = ticks_ms  # noqa: F405


def ticks_ms():
    return _began + elapsed_ms()


def sleep_ms(ms):
    global _slept
    _slept += ms


def time():
    return int(simulated.STATE["raw_s"] + elapsed_ms() / 1000)
