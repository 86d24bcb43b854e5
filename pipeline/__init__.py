"""Attrition and pick-error statistics for placement lines; docs/architecture.md numbers the stages."""

import os

# One thread for small dense algebra: it is faster than many on a busy machine, and sums come out in the same order
# everywhere. Whoever sets the variable decides.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
