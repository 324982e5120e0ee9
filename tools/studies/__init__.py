"""Statistical studies: each reproduces a claim that the documents make."""

import os

# Before numpy is imported. Matrices of a few hundred rows gain nothing from threads, and on a busy machine
# threads that wait for each other made single sets twenty times slower.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
