"""By hand: `python tests/bench/phone_bench.py [GROUPS ...]`. How long the form engine that phones carry takes to open the
reading of buds, and until it knows a group by its code, with lists of so many groups; and how large these lists are. The groups
are those of the demo again and again, under codes of their own. Beside the list that is written stands one with all columns.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from formpack.group_code import issue  # noqa: E402
from pipeline import run  # noqa: E402
from pipeline.demo import make_demo  # noqa: E402
from pipeline.field import due_list, phone  # noqa: E402
from pipeline.workspace import Workspace  # noqa: E402
from tests.engine.phone import Phone  # noqa: E402

FORM = "bud_take.xml"
ROUNDS = 5


def rows_of(workspace: Workspace, many: int) -> list[dict[str, str]]:
    """So many rows of groups.csv, in order of code."""
    with run.opened(workspace, phone.TABLES) as (store, _):
        found = phone._group_rows(store, workspace.settings, *due_list.due_today(store))
    years = range(2020, 2020 + many // 5000 + 1)
    codes = [code for year in years for code in issue(year, 1, 5000)][:many]
    return [found[n % len(found)] | {"code": code} for n, code in enumerate(codes)]


def timed(folder: Path, small: Path, code: str) -> tuple[float, float]:
    """Seconds until the form is open, and until the group of a code is told; medians. The engine has opened it once before."""
    opened, known = [], []
    for _ in range(ROUNDS):
        with Phone() as it:
            it.ask("FORM", str(small / FORM))
            began = time.perf_counter()
            it.ask("FORM", str(folder / FORM))
            opened.append(time.perf_counter() - began)
            began = time.perf_counter()
            it.ask("SET", "code_scanned", code)
            known.append(time.perf_counter() - began)
            assert it.ask("LABEL", "facts_note")[0] == "OK"
    return statistics.median(opened), statistics.median(known)


def main(sizes: list[int]) -> None:
    with tempfile.TemporaryDirectory() as name:
        workspace = Workspace(Path(name) / "demo")
        make_demo(workspace.folder, run.no_progress)
        print("| groups | all columns: size, open, code set | what forms read: size, open, code set |")
        print("| --- | --- | --- |")
        for many in sizes:
            rows, said = rows_of(workspace, many), [f"{many:,}"]
            for columns in (phone.GROUP_COLUMNS, phone._columns_read(workspace, "groups", phone.GROUP_COLUMNS)):
                folder = shutil.copytree(workspace.phone, Path(name) / f"{many}-{len(columns)}")
                text = phone._as_csv(columns, rows)
                (folder / "groups.csv").write_bytes(text)
                opened, known = timed(folder, workspace.phone, rows[many // 2]["code"])
                said.append(f"{len(text) / 1000:,.0f} kB, {opened:.2f} s, {1000 * known:.0f} ms")
            print(f"| {' | '.join(said)} |", flush=True)


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [2_000, 5_000, 20_000])
