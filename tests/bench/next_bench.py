"""By hand: `python tests/bench/next_bench.py [SEED ...]`. Nurseries of `count_bench` whose groups are all counted five times;
then, in four more rounds, there are only so many hours, and what is counted is either what was counted longest ago, or what
`formpack reconcile --next` says. Truth and every count that might be made are the same for both; people and losses are of
kinds that the model does not know.
"""

from __future__ import annotations

import csv
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from typing import NamedTuple

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pipeline import run  # noqa: E402
from pipeline.report.round import ROUND, gather_round  # noqa: E402
from pipeline.store import Store  # noqa: E402
from pipeline.workspace import Workspace, make_workspace  # noqa: E402
from tests.bench.count_bench import COUNTS, Nursery  # noqa: E402

WHOLE_ROUNDS = 5
_SHOWN = ("standing_sums", "standing", *ROUND)


class Outcome(NamedTuple):
    """Means over the rounds with few hours, after each: half the interval of the whole, what the whole was off by (root mean
    square), what a group was off by (the same), groups counted, and the same half interval before each round."""

    doubt: float
    off: float
    off_group: float
    counted: float


class Fewer(Nursery):
    groups_made, staff = 120, 10

    def place(self, number: int) -> int:
        return int(self.dice.integers(12))


def _write(workspace: Workspace, name: str, rows: list[dict[str, object]]) -> list[Path]:
    if not rows:
        return []
    path = workspace.inbox / f"{name}.csv"
    with path.open("w", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)
    return [path]


def by_calendar(nursery: Nursery, last: dict[str, int], workspace: Workspace, hours: float) -> set[str]:
    """What was counted longest ago, house by house, as long as there is time."""
    walk, left, houses, chosen = workspace.settings.walk, hours * 60, set[int](), set[str]()
    for g in sorted(nursery.groups, key=lambda g: (last[g.code], g.place, g.code)):
        minutes = g.listed * 60 / walk.plants_per_hour + walk.minutes_per_group
        minutes += 0 if g.place in houses else walk.minutes_per_house
        if minutes <= left:
            left -= minutes
            houses.add(g.place)
            chosen.add(g.code)
    return chosen


def follow(seed: int, hours: float, is_next: bool, kind: type[Nursery] = Fewer, whole: int = WHOLE_ROUNDS) -> Outcome:
    """One nursery, with so many hours in each round after the whole ones."""
    nursery = kind(seed)
    days = nursery.groups[0].days
    by_round: dict[str, dict[int, list[dict[str, object]]]] = {form: defaultdict(list) for form in nursery.sent}
    for form, rows in nursery.sent.items():
        for row in rows:
            at = next(t for t in range(COUNTS) if str(row["visit_date"]) <= days[t].isoformat())
            by_round[form][at].append(row)
    last: dict[str, int] = {}
    outcomes, waiting = [], list[Path]()
    with tempfile.TemporaryDirectory() as folder:
        workspace = Workspace(Path(folder))
        make_workspace(workspace.folder, "Bench")
        nursery.write(workspace)
        for path in workspace.inbox.glob("*.csv"):
            path.unlink()
        for t, day in enumerate(days):
            files = [f for form in ("open_group", "loss") for f in _write(workspace, f"{form}-{t}", by_round[form][t])]
            if t < whole:
                chosen = {g.code for g in nursery.groups}
            elif is_next:
                run.import_files(workspace, [*waiting, *files], day, show=_SHOWN)
                with run.opened(workspace, _SHOWN, day) as (store, _):
                    said = gather_round(store, workspace.settings.walk, hours)
                chosen, files, waiting = {c.group.replace("-", "") for c in said.groups}, [], []
            else:
                chosen = by_calendar(nursery, last, workspace, hours)
            last |= dict.fromkeys(chosen, t)
            counts = [r for r in by_round["stock_count"][t] if r["group_code"] in chosen]
            files += _write(workspace, f"stock_count-{t}", counts)
            waiting += files
            if t >= whole:
                run.import_files(workspace, waiting, day, show=_SHOWN)
                waiting = []
                outcomes.append(_outcome(workspace, {g.code: g.true[t] for g in nursery.groups}, len(chosen)))
    doubt, off, off_group, counted = (np.array(v, dtype=float) for v in zip(*outcomes, strict=True))
    return Outcome(doubt.mean(), np.sqrt((off**2).mean()), np.sqrt((off_group**2).mean()), counted.mean())


def _outcome(workspace: Workspace, true: dict[str, int], counted: int) -> Outcome:
    with Store.open(workspace.store_file) as store:
        plants, low, high = store.rows("""SELECT plants, low, high FROM standing_sums WHERE "by" = 'all'""")[0]
        said = dict(store.rows("SELECT group_code, estimate FROM standing"))
    each = np.array([said[c] - n for c, n in true.items()])
    return Outcome((high - low) / 2, plants - sum(true.values()), float(np.sqrt((each**2).mean())), counted)


def main() -> None:
    seeds = [int(s) for s in sys.argv[1:]] or list(range(1, 9))
    print("| counted | hours a round | groups a round | interval of the whole | whole off by | a group off by |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, is_next, hours in (
        ("longest ago first", False, 16),
        ("`--next`", True, 16),
        ("`--next`", True, 8),
        ("longest ago first", False, 8),
        ("`--next`", True, 4),
    ):
        found = np.array([follow(seed, hours, is_next) for seed in seeds])
        doubt, off, each, counted = found[:, 0].mean(), *np.sqrt((found[:, 1:3] ** 2).mean(0)), found[:, 3].mean()
        print(f"| {name} | {hours} | {counted:.1f} | ± {doubt:.0f} | {off:.0f} | {each:.1f} |", flush=True)


if __name__ == "__main__":
    main()
