"""What becomes of the answers: kept, checked, booked, reconciled, reported."""

import os

# matrices here are small: a second thread waits for the first, and on busy cores all takes ten times as long
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
