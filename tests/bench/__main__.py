"""By hand: `python -m tests.bench`. Runs the benches, each beside its baseline in turn, and says what each took.

Everything is measured as whole processes on sets of an invented nursery (tests.bench.nursery), which are made where --data
has none yet. `--only counts`, `--only rates`, `--only life` and `--only nurseries` measure the quality of numbers instead
(count_bench.py, rates_bench.py, life_bench.py, nurseries_bench.py).
"""

from __future__ import annotations

import argparse
import compileall
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.bench import results
from tests.bench.benches import Bench, Measured
from tests.bench.checkout import PARTS, ROOT, Checkout, former
from tests.bench.measure import Failed, in_turn
from tests.bench.sets import Sets

HERE = Path(__file__).parent
QUALITY = {
    "counts": ("count_bench.py", "11"),
    "rates": ("rates_bench.py", "5"),
    "life": ("life_bench.py", "5"),
    "nurseries": ("nurseries_bench.py", "5"),
}
"""The benches of numbers, and what each is given where it should be quick."""


def options() -> argparse.Namespace:
    names = [*Measured.NAMES, *QUALITY]
    known = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    known.add_argument("--only", action="append", choices=names, help="only this one; may be given again")
    known.add_argument("--quick", action="store_true", help="small sizes and two rounds, to see that it works")
    known.add_argument("--code", type=Path, default=ROOT, help="the checkout to measure, by default this one")
    known.add_argument("--former", type=Path, help="a checkout of former code; by default one is made of its commit")
    known.add_argument("--data", type=Path, help="where sets and prepared stores stay; by default they go when it ends")
    known.add_argument("--json", type=Path, default=HERE / "last.json", help="where the figures go")
    known.add_argument("--limit", type=float, default=1200, help="seconds after which a process is stopped")
    return known.parse_args()


def main() -> None:
    given = options()
    asked = given.only or list(Measured.NAMES)
    for name in (n for n in asked if n in QUALITY):
        script, small = QUALITY[name]
        subprocess.run([sys.executable, HERE / script, *([small] if given.quick else [])], check=True, cwd=ROOT)
    asked = [n for n in asked if n not in QUALITY]
    if not asked:
        return
    with tempfile.TemporaryDirectory() as folder:
        data = (given.data or Path(folder)).resolve()
        data.mkdir(parents=True, exist_ok=True)
        measure(given, asked, data)


def measure(given: argparse.Namespace, asked: list[str], data: Path) -> None:
    code = Checkout("measured", given.code.resolve(), data, given.limit)
    measured = Measured(code, Sets(data, given.quick), lambda: compiled(former(given.former, data, given.limit)))
    compiled(code)
    where, found, done = results.machine(), list[dict[str, Any]](), list[Bench]()
    print(f"{code.folder} at {code.commit}; {where}", flush=True)
    with tempfile.TemporaryDirectory(dir=data) as scratch:
        for name in asked:
            try:
                benches = measured.benches(name)
            except Failed as wrong:
                found.append({"bench": name, "what": name, "failed": str(wrong)})
                print(f"{name}: {wrong}", flush=True)
                continue
            for bench in benches:
                found += one(bench, Path(scratch), given)
                done.append(bench)
                results.write(given.json, where, code.commit, found, done)
    results.write(given.json, where, code.commit, found, done)
    print(
        f"\nCommit {code.commit}, {where['cores']} cores ({where['cpu']}),"
        f" Python {where['python']}, DuckDB {where['duckdb']}:\n"
    )
    print(results.markdown(found))


def one(bench: Bench, scratch: Path, given: argparse.Namespace) -> list[dict[str, Any]]:
    """Measure it, and say so at once."""
    try:
        in_turn(bench.sides, scratch, given.limit, given.quick)
    except Failed as wrong:
        print(f"{bench.what}: {wrong}", flush=True)
        return [{"bench": bench.name, "what": bench.what, "failed": str(wrong)}]
    rows = results.rows(bench)
    for row in rows:
        beside = f", {row['ratio']:.3g} times {row['beside']} ({row['beside_cpu']:.3g} s)" if row["beside"] else ""
        print(f"{row['what']}: {row['cpu']:.3g} s of CPU, {row['memory_mib']:,} MB, {row['rounds']} rounds{beside}", flush=True)
    return rows


def compiled(code: Checkout) -> Checkout:
    """With byte code in place, so that no round pays for it."""
    for part in PARTS[:2]:
        compileall.compile_dir(code.folder / part, quiet=2)
    return code


if __name__ == "__main__":
    main()
