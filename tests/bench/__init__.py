"""The bench (`python -m tests.bench vision`). Everything in it is timed on one thread."""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # before numpy is loaded
