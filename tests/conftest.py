"""For all tests: linear algebra on one thread, as the command line sets it (before anything imports numpy)."""

import os

for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
