"""One thread for linear algebra: tests run side by side, and the program itself takes no more."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
