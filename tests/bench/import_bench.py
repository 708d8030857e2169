"""By hand: `python tests/bench/import_bench.py`. Imports 2,000 XML submissions of the demo and, in the same run, only
parses them with the standard library, so that the ratio means something on a shared machine.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pipeline import run  # noqa: E402
from pipeline.workspace import Workspace  # noqa: E402


def main() -> None:
    demo = ROOT / "sample_submissions" / "demo"
    files = sorted((demo / "inbox").rglob("*.xml"))
    with tempfile.TemporaryDirectory() as folder:
        workspace = Workspace(Path(folder) / "nursery")
        shutil.copytree(demo, workspace.folder, ignore=shutil.ignore_patterns("inbox"))
        workspace.inbox.mkdir()
        for number in range(2000):
            path = files[number % len(files)]
            text = path.read_text(encoding="utf-8")
            if number >= len(files):
                text = text.replace("<instanceID>uuid:", "<instanceID>uuid:f")
            (workspace.inbox / f"{number}.xml").write_text(text, encoding="utf-8")
        started = time.perf_counter()
        for path in sorted(workspace.inbox.iterdir()):
            ElementTree.fromstring(path.read_text(encoding="utf-8"))
        parsed = time.perf_counter() - started
        started = time.perf_counter()
        done = run.import_files(workspace, [workspace.inbox])
        whole = time.perf_counter() - started
        started = time.perf_counter()
        run.import_files(workspace, [workspace.inbox])
        again = time.perf_counter() - started
    print(f"{done.new_files} files: only parsed {parsed:.2f} s, imported {whole:.2f} s ({whole / parsed:.0f} times),")
    print(f"imported once more, nothing new, {again:.2f} s ({again / parsed:.0f} times)")


if __name__ == "__main__":
    main()
