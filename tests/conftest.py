"""One thread for linear algebra, also where pytest is called by itself: more only wait for each other."""

import os

# Before numpy is imported; the test command sets the same.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
