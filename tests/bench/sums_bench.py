"""By hand: `python tests/bench/sums_bench.py [FIRST LAST]`. How often intervals of sums hold: in nurseries of `count_bench`, on
the day of the last count of all groups, and with those counts not made, some five weeks after the one before.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pipeline import run  # noqa: E402
from pipeline.store import Store  # noqa: E402
from pipeline.workspace import Workspace, make_workspace  # noqa: E402
from tests.bench.count_bench import Nursery  # noqa: E402


def held(seed: int, is_counted: bool) -> dict[str, list[tuple[bool, int, int]]]:
    """By the kind of sum, for each: whether its interval holds the truth, its width, and what the plants said are off by."""
    nursery = Nursery(seed)
    day = nursery.groups[0].days[-1]
    if not is_counted:
        nursery.sent["stock_count"] = [r for r in nursery.sent["stock_count"] if r["visit_date"] != day.isoformat()]
    with tempfile.TemporaryDirectory() as folder:
        workspace = Workspace(Path(folder))
        make_workspace(workspace.folder, "Bench")
        nursery.write(workspace)
        run.import_files(workspace, [workspace.inbox], day, show=("standing_sums", "standing"))
        with Store.open(workspace.store_file) as store:
            sums = store.rows('SELECT "by", level, plants, low, high FROM standing_sums')
            place = dict(store.rows("SELECT group_code, location FROM standing WHERE stage <> 'gone'"))
    true: dict[str, int] = {}
    for g in nursery.groups:
        for level in ("all", place.get(g.code, "gone")):
            true[level] = true.get(level, 0) + g.stands
    found: dict[str, list[tuple[bool, int, int]]] = {"all": [], "place": []}
    for by, level, plants, low, high in sums:
        if by in found:
            found[by].append((low <= true[level] <= high, high - low, plants - true[level]))
    return found


def main() -> None:
    first, last = (int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (11, 60)
    print("| counted | sums of | held | mean width | rms error | mean error |")
    print("| --- | --- | --- | --- | --- | --- |")
    for is_counted in (True, False):
        every = [held(seed, is_counted) for seed in range(first, last + 1)]
        for by in ("all", "place"):
            rows = np.array([row for one in every for row in one[by]], dtype=float)
            said = (rows[:, 0].mean(), rows[:, 1].mean(), np.sqrt((rows[:, 2] ** 2).mean()), rows[:, 2].mean())
            when = "that day" if is_counted else "24 to 55 days before"
            print(
                f"| {when} | {by} ({len(rows)}) | " + " | ".join(f"{v:.3f}" if v < 1 and v > 0 else f"{v:.0f}" for v in said),
                "|",
            )


if __name__ == "__main__":
    main()
