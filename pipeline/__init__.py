"""What becomes of the answers: kept, checked, booked, reconciled, reported."""

import os
import sys
from typing import Any, cast

# matrices here are small: a second thread waits for the first, and on busy cores all takes ten times as long
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# where Spark is installed pandera would load all that it has for pandas, for every command
sys.modules.setdefault("pyspark.pandas", cast(Any, None))
