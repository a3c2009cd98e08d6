"""How this process keeps its memory: no look for garbage while it starts, little afterwards.

Importing and building makes a hundred thousand objects that stay; looking through them again and again while
they come was a quarter of a start.
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager

YOUNG = 10_000  # objects made before the youngest are looked through; Python's own 700 suits small programs


@contextmanager
def unlooked() -> Iterator[None]:
    """Look for no garbage while what stays is made."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def settle_heap() -> None:
    """To be called once all is imported and built; libraries are a hundred thousand objects that stay.

    Nothing is collected before: a look through all of it takes a sixth of a start and finds hardly anything.
    """
    gc.freeze()
    gc.set_threshold(YOUNG)
