"""By hand: `python tests/bench/people_bench.py [--seeds N] [CASE ...]`. Nurseries whose people and benches are not as the model
of counts has them: some copy what the phone shows, all round to tens, one finds too few, numbers of neighbours are written,
buds are read green. Each case says what its bar is of; what is stated with a confidence is held against how often it is so.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.count_bench import COUNTS, RIGHT, Group, Nursery, Told, told  # noqa: E402


class OwnPlaces(Nursery):
    """Ten people who count in places of their own; the first two in their own way."""

    staff = 10
    odd = (0, 1)

    def who(self, g: Group, t: int) -> int:
        return g.place % self.staff

    def is_odd(self, g: Group) -> bool:
        return g.place % self.staff in self.odd


class Copiers(OwnPlaces):
    """Two always write the number that the phone shows."""

    def written(self, g: Group, who: int) -> tuple[str, int]:
        if who in self.odd:
            return "copied", g.listed
        return super().written(g, who)


class CopiersOnceChecked(Copiers):
    """In the places of those who copy one count of somebody else is there."""

    def who(self, g: Group, t: int) -> int:
        return 5 if self.is_odd(g) and t == 6 else super().who(g, t)


class FewCopiers(Copiers):
    """The same in a nursery so small that each makes some thirty counts; people count here and there."""

    groups_made = 34

    def who(self, g: Group, t: int) -> int:
        return int(self.dice.integers(self.staff))


class FewHonest(FewCopiers):
    odd = ()


class HalfCopiers(Copiers):
    """Every second time."""

    def written(self, g: Group, who: int) -> tuple[str, int]:
        return super().written(g, who if self.dice.random() < 0.5 else 9)


class Tens(Nursery):
    """Everybody rounds to tens."""

    def written(self, g: Group, who: int) -> tuple[str, int]:
        kind, n = super().written(g, who)
        return kind, round(n, -1)


class Leaning(OwnPlaces):
    """One finds 1 in 100 too few, in places of their own."""

    odd = (0,)
    by = -0.01

    def written(self, g: Group, who: int) -> tuple[str, int]:
        kind, n = super().written(g, who)
        return kind, round(n * (1 + self.by)) if who in self.odd else n


class LeaningAnywhere(Leaning):
    """The same, wherever."""

    def who(self, g: Group, t: int) -> int:
        return int(self.dice.integers(self.staff))


class AllLean(Nursery):
    """All find 1 in 100 too few: nobody can see it, but for the openings, and it may as well be lost then."""

    def written(self, g: Group, who: int) -> tuple[str, int]:
        kind, n = super().written(g, who)
        return kind, round(n * 0.99)


class OwnBenches(Nursery):
    """Every group has a bench of its own, ten benches a house; one person walks a house. The number of the next group is
    written now and then, in place of other faults."""

    def place(self, number: int) -> int:
        return number

    @property
    def houses(self) -> dict[str, str]:
        return {f"P{g.place:02}": f"P{g.place // 10 * 10:02}" for g in self.groups if g.place % 10}

    def who(self, g: Group, t: int) -> int:
        return (g.place // 10 + t) % self.staff

    def written(self, g: Group, who: int) -> tuple[str, int]:
        if self.dice.random() < self.gross / 2:
            at = g.place + (1 if self.dice.random() < 0.5 or g.place == 0 else -1)
            if 0 <= at < len(self.groups) and abs(self.groups[at].stands - g.stands) > 3:
                return "next", self.groups[at].stands
        return super().written(g, who)


class Read(Nursery):
    """Buds are set and read between counts; some of the last counts left crates out before that."""

    def live_on(self, g: Group, t: int, day: dt.date) -> None:
        if t not in (6, 8):
            return
        bud = {"team_code": "T1", "attempt": 1}
        on = day - dt.timedelta(days=1)
        if t == 6:
            more = {"scion": "LEMON", "budwood_batch": "B1", "buds_set": g.stands, "passed_over": 0}
            self._send("budding", day - dt.timedelta(days=22), 9, 1, g.code, **bud, **more)
        else:
            green = int(self.dice.binomial(g.stands, 0.97))
            more = {"green": green, "brown": g.stands - green, "unsure": 0, "missing": 0, "set_aside_to": ""}
            self._send("bud_take", on, 9, 2, g.code, **bud, **more)


CASES: dict[str, type[Nursery]] = {
    "copiers": Copiers,
    "copiers, one count of another": CopiersOnceChecked,
    "copiers of thirty counts": FewCopiers,
    "nobody copies, thirty counts": FewHonest,
    "copies every second time": HalfCopiers,
    "all round to tens": Tens,
    "one leans, own places": Leaning,
    "one leans, anywhere": LeaningAnywhere,
    "all lean": AllLean,
    "own benches, neighbours' numbers": OwnBenches,
    "as in count_bench": Nursery,
}


def is_right(nursery: Nursery, g: Group, doubt: tuple[object, ...]) -> bool | None:
    """Whether what was told is so; None where the nursery does not know."""
    _, on, _, difference, cause, _, other, _ = doubt
    if on not in g.days:
        return None
    t = g.days.index(on)  # type: ignore[arg-type]
    if cause == "unrecorded loss":
        return g.quiet[t] >= -int(difference) / 2  # type: ignore[call-overload, no-any-return]
    if cause == "transfer not recorded":
        return any({a, b} == {g.code, other} for a, b, _ in nursery.moves)
    if cause == "unrecorded gain":
        return any(b == g.code for _, b, _ in nursery.moves)
    if cause in ("opening number wrong", "loss noted after it was missed", "movement noted twice or not made"):
        return False
    if abs(g.said[t] - g.true[t]) <= 3:
        return False
    return cause in RIGHT[g.kind[t] or "near"]


def measured(nursery: Nursery, sure: dict[int, list[bool]]) -> dict[str, float]:
    out: Told = told(nursery)
    groups = nursery.groups
    true = np.array([g.stands for g in groups])
    estimate, low, high, _ = np.array([out.standing[g.code] for g in groups]).T
    holds = (low <= true) & (true <= high)
    for doubt in out.doubts:
        g = next(g for g in groups if g.code == doubt[0])
        right = is_right(nursery, g, doubt)
        if right is not None:
            sure[min(9, int(doubt[5] * 10))].append(right)
    odd = np.array([nursery.is_odd(g) if isinstance(nursery, OwnPlaces) else False for g in groups])
    causes = {(d[0], d[1]): d[4] for d in out.doubts if not d[4].startswith("un")}
    large = caused = false = 0
    for g in groups:
        for t, day in enumerate(g.days):
            off, se = abs(g.said[t] - g.true[t]), max(nursery.error * g.true[t], 0.5)
            if t < COUNTS - 1 and off > 4 * se and g.kind[t] not in ("", "copied"):
                large += 1
                caused += causes.get((g.code, day)) in RIGHT[g.kind[t]]
    for d in out.doubts:
        if d[4] == "unrecorded loss":
            g = next(g for g in groups if g.code == d[0])
            false += is_right(nursery, g, d) is False
    names = {f"S{i + 1:02}" for i in getattr(nursery, "odd", ())}
    named = {s for s, row in out.staff.items() if row[-1]}
    return {
        "coverage": holds.mean(),
        "of odd": holds[odd].mean() if odd.any() else np.nan,
        "width": float((high - low).mean()),
        "width of odd": float((high - low)[odd].mean()) if odd.any() else np.nan,
        "mean error": float(np.abs(estimate - true).mean()),
        "named": len(named & names) / len(names) if names else np.nan,
        "any other named": float(bool(named - names)),
        "cause right": caused / max(1, large),
        "false losses": false,
    }


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("cases", nargs="*", default=list(CASES))
    asked.add_argument("--seeds", type=int, default=10)
    given = asked.parse_args()
    sure: dict[int, list[bool]] = defaultdict(list)
    first = True
    for case in given.cases:
        rows = [measured(CASES[case](seed), sure) for seed in range(31, 31 + given.seeds)]
        if first:
            print("| case | " + " | ".join(rows[0]) + " |\n|" + " --- |" * (len(rows[0]) + 1))
        first = False
        means = [np.mean([r[name] for r in rows]) for name in rows[0]]
        print(f"| {case} | " + " | ".join(f"{v:.2f}" for v in means) + " |", flush=True)
    print("\n| stated confidence | told | right |\n| --- | --- | --- |")
    for tenth, rights in sorted(sure.items()):
        print(f"| {tenth / 10:.1f} to {(tenth + 1) / 10:.1f} | {len(rights)} | {np.mean(rights):.2f} |")


if __name__ == "__main__":
    main()
