"""Read files as an import would, in a store that is gone afterwards: `python -m pipeline.trial WORKSPACE`, with a JSON list of
[path, form] on the standard input. Ends with 0 where they can be read, whatever they say."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

from pipeline import run
from pipeline.intake import ingest
from pipeline.store import Store
from pipeline.workspace import Workspace


def try_files(workspace: Workspace, files: list[tuple[str, str]]) -> None:
    """Keep and read the files. Raises what they make the program raise."""
    with tempfile.TemporaryDirectory(prefix="formpack-") as beside, Store.open(Path(beside) / "store.duckdb") as store:
        day = run.the_day(workspace.settings, None)
        for form in sorted({form for _, form in files}):
            ingest.keep(store, [Path(path) for path, own in files if own == form], day, run.no_progress, form)
        run.read_only(store, workspace, day)


if __name__ == "__main__":
    try_files(Workspace(Path(sys.argv[1])), json.load(sys.stdin))
