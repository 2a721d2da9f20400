"""One thread a test worker: linear algebra that spreads over cores which other workers hold is slower, not faster."""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
