"""Speed, as ratios to a named baseline of the same run."""

import os

# Before numpy is imported, as the command line does: threads that wait for each other would count as work.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
