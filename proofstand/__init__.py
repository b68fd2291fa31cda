"""The job itself: procedure, session, sign-off, bench set-up, review, commands."""

import os

# Sums shared out over threads round differently from machine to machine. A run is
# judged the same everywhere: on one thread, settled before the libraries are loaded.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"
