"""python -P states_only.py WORKSPACE FILES: an import with all checks that brings up the table of states and no other.

Code that does not know the difference yet brings up everything.
"""

import inspect
import sys
from pathlib import Path
from typing import Any

from pipeline import run
from pipeline.workspace import Workspace

wanted = {"show": ("submissions",), "is_sure": True}
more: dict[str, Any] = {k: v for k, v in wanted.items() if k in inspect.signature(run.import_files).parameters}
done = run.import_files(Workspace(Path(sys.argv[1])), [Path(p) for p in sys.argv[2:]], **more)
print(done, "" if more else "(with everything)")
