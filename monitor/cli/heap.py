"""How this process looks for garbage: what stands since the start is left out, younger things wait longer."""

import gc

YOUNG = 10_000  # objects made before the youngest are looked through; Python's own 700 suits small programs


def settle_heap() -> None:
    """To be called once all is imported and built; libraries are a hundred thousand objects that stay."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG)
