"""Dryshift: watches a welding shop's air and says, before the shift, what will get wet."""

import os

__version__ = "0.1.0"

# Before numpy is loaded: the sums here are small, and threads of the linear algebra that wait for each other
# cost twice the processor time and save none.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
