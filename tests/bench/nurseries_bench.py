"""By hand: `python tests/bench/nurseries_bench.py [BODIES]` (100). Bodies of our own making with a truth that the comparison
does not know: months of a nursery and batches that span months (sd 0.5 each on the logit), years of a nursery, lots (rho 0.02),
nurseries to which a pair comes easier (sd 0.3), unlike mixes and sizes, one nursery with a tenth to a half of all, one in seven
with one month only. What is held as true is what is expected of more of all these. And times and memory."""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import pipeline  # noqa: E402, F401, I001  (before numpy: it says with how many threads)
import numpy as np  # noqa: E402
from scipy import special  # noqa: E402

from pipeline.formulas.nurseries import Cells, compare_nurseries, pooled_shares, pooled_survival  # noqa: E402
from pipeline.formulas.standardised import compare_losses  # noqa: E402


class Truth(NamedTuple):
    month: float = 0.5
    batch: float = 0.5
    year: float = 0.15
    pair: float = 0.3
    rho: float = 0.02
    spread: float = 0.0
    odd: float = 0.0
    unlike: float = 0.0
    """sd of the log of a nursery's own sd of months"""
    months: int = 24
    lots: float = 4.0
    """lots a month of a nursery of middle size"""
    large: bool = True


def body(seed: int, many: int, truth: Truth):
    """(cells, true adjusted takes (N,), true takes by pair, effects (N,), the chance that who knows the rest finds the odd
    one)."""
    dice = np.random.default_rng([seed, many])
    stocks, scions = 6, 10
    by_stock, by_scion = dice.normal(0, 0.5, stocks), dice.normal(0, 0.5, scions)
    by_pair = dice.normal(0, 0.2, (stocks, scions))
    season = dice.normal(0, 0.3, truth.months)
    effect = truth.spread * dice.normal(size=many)
    if truth.odd:
        effect[0] = truth.odd * dice.choice([-1, 1])
    size = np.exp(dice.normal(0, 0.7, many)) * truth.lots
    if truth.odd:
        size[0] = truth.lots
    if truth.large:
        size[-1] = size[:-1].sum() * dice.uniform(0.1, 1.0) if many < 100 else size[:-1].sum() * 0.1
    first = np.zeros(many, dtype=int)
    last = np.full(many, truth.months)
    some = np.flatnonzero(dice.random(many) < 0.15)
    some = some[(some != many - 1) & (some != 0)]
    first[some] = dice.integers(0, truth.months, len(some))
    last[some] = first[some] + 1  # one month only
    likes = dice.dirichlet(np.full(stocks, 1.0), many), dice.dirichlet(np.full(scions, 0.7), many)
    lots = [(i, m, k) for i in range(many) for m in range(first[i], last[i]) for k in [min(300, dice.poisson(size[i]))]]
    nursery, month = (np.repeat([v[j] for v in lots], [v[2] for v in lots]) for j in (0, 1))
    u = dice.random((2, len(nursery)))
    a = (np.cumsum(likes[0], 1)[nursery] < u[0][:, None]).sum(1).clip(0, stocks - 1)
    b = (np.cumsum(likes[1], 1)[nursery] < u[1][:, None]).sum(1).clip(0, scions - 1)
    attempt = 1 + (dice.random(len(nursery)) < 0.15)
    n = dice.integers(60, 400, len(nursery))
    # batches: of a nursery and scion, two to four months each
    begins = dice.integers(0, 4, (many, scions))
    batch = (month + begins[nursery, b]) // 3
    of_batch = truth.batch * dice.normal(size=(many, scions, truth.months // 3 + 3))[nursery, b, batch]
    by_month = truth.month * np.exp(truth.unlike * dice.normal(size=many))
    of_month = by_month[nursery] * dice.normal(size=(many, truth.months))[nursery, month]
    of_year = truth.year * dice.normal(size=(many, truth.months // 12 + 1))[nursery, month // 12]
    of_pair = truth.pair * dice.normal(size=(many, stocks, scions))[nursery, a, b]
    if truth.months <= 12:  # a nursery and its only year are one
        effect = effect + truth.year * dice.normal(size=many)
        of_year = np.zeros(len(month))
    base = 2.0 + by_stock[a] + by_scion[b] + by_pair[a, b] + season[month] - 0.5 * (attempt == 2)
    p = special.expit(base + effect[nursery] + of_batch + of_month + of_year + of_pair)
    y = dice.binomial(n, dice.beta(p * (1 - truth.rho) / truth.rho, (1 - p) * (1 - truth.rho) / truth.rho))
    key = np.unique(np.stack([nursery, month, a, b, attempt]), axis=1, return_inverse=True)
    cell = np.ravel(key[1])
    sums = [np.bincount(cell, v).astype(np.int64) for v in (np.ones(len(n)), n, y, n * n, n * y, y * y)]
    cells = Cells(*key[0].astype(np.int64), *sums)
    cells = cells._replace(month=cells.month + 12 * 2025)
    node, w = np.polynomial.hermite_e.hermegauss(15)
    year = truth.year if truth.months > 12 else 0.0
    around = np.sqrt(by_month**2 + truth.batch**2 + year**2 + truth.pair**2)[:, None] * node
    places = np.quantile(base, (np.arange(200) + 0.5) / 200, weights=n, method="inverted_cdf")
    each = zip(effect, around, strict=True)
    adjusted = np.array([(special.expit(places[:, None] + e + a) @ w / w.sum()).mean() for e, a in each])
    around = np.sqrt((around**2).mean(0)) * np.sign(node)
    rest = season[month] - 0.5 * (attempt == 2) + effect[nursery]
    rest = np.quantile(rest, (np.arange(100) + 0.5) / 100, weights=n, method="inverted_cdf")
    pairs = 2.0 + by_stock[:, None] + by_scion + by_pair
    of_pairs = (special.expit(pairs[..., None, None] + rest[:, None] + around) @ w / w.sum()).mean(-1)
    # who knows the rest: the odd one's distance and its error by the best weights
    mine = nursery == 0
    v = np.diag((1 / (n * p * (1 - p)) * (1 + truth.rho * (n - 1)))[mine])
    for sd, *of in ((truth.month, month), (truth.batch, b, batch), (year, month // 12), (truth.pair, a, b)):
        v = v + sd**2 * np.all([f[mine][:, None] == f[mine] for f in of], axis=0)
    sharp = 1 / np.sqrt(np.linalg.inv(v).sum()) if mine.any() else 9.0
    known = special.ndtr(abs(truth.odd) / sharp + special.ndtri(0.025 / many))
    return cells, adjusted, of_pairs, effect, known


def measure(bodies: int, many: int, truth: Truth, first: int = 0) -> dict[str, float]:
    found: dict[str, list[float]] = {}

    def note(name, values):
        found.setdefault(name, []).extend(np.ravel(values).astype(float).tolist())

    for seed in range(first, first + bodies):
        cells, adjusted, of_pairs, effect, by_who_knows = body(seed, many, truth)
        note("right by who knows", by_who_knows)
        out = compare_nurseries(cells)
        t = out.takes
        adjusted = adjusted[t.nursery]
        known = ~np.isnan(t.adjusted)
        flags = np.isin(t.flag, ("better", "worse"))
        note("any flag", flags.any())
        note("flags", flags)
        wrong = flags & (np.where(t.flag == "better", 1, -1) * (effect[t.nursery] - effect.mean()) < 0)
        note("wrong side", wrong)
        note("held", ((t.low <= adjusted) & (adjusted <= t.high))[known])
        note("pooled held", ((t.pooled_low <= adjusted) & (adjusted <= t.pooled_high))[known])
        note("width", (t.high - t.low)[known])
        note("pooled width", (t.pooled_high - t.pooled_low)[known])
        note("mse", ((t.adjusted - adjusted) ** 2)[known])
        note("pooled mse", ((t.pooled - adjusted) ** 2)[known])
        note("crude mse", ((t.taken / t.read - adjusted) ** 2)[known])
        note("right", t.flag[0] == ("better" if effect[0] > 0 else "worse"))
        note("others", flags[1:].any())
        note("spread", out.spread)
        # of what is expected of them, which is less than on the logit of one lot: months and batches differ
        note("spread held", out.spread_low <= special.logit(adjusted[known]).std() <= out.spread_high)
        q = out.pairs
        own = (q.rootstock >= 0) & (q.scion >= 0)
        true = of_pairs[q.rootstock[own], q.scion[own]]
        held = (q.low[own] <= true) & (true <= q.high[own])
        note("pairs held", held)
        rare = q.nurseries[own] <= 2
        note("rare held", held[rare])
        note("pair mse", (q.take[own] - true) ** 2)
        note("pair raw mse", (q.share[own] - true) ** 2)
        for k, v in out.parts.items():
            note("v " + k, v)
        note("rho", out.rho)
        note("freedom", np.median(t.freedom[known]))
    return {k: float(np.mean(v)) if v else float("nan") for k, v in found.items()}


CASES = {
    "alike, 24 months": Truth(),
    "alike, 12 months": Truth(months=12, year=0),
    "alike, their months not (sd of log 0.6)": Truth(unlike=0.6),
    "nurseries differ (sd 0.3)": Truth(spread=0.3),
    "one 0.5 off, a year, all shocks": Truth(months=12, odd=0.5),
    "one 0.5 off, a year, months alone (sd 0.5)": Truth(months=12, odd=0.5, batch=0, pair=0, year=0),
    "one 0.5 off, a year, months alone (sd 0.25)": Truth(months=12, odd=0.5, month=0.25, batch=0, pair=0, year=0),
}


def takes(bodies: int) -> None:
    print("| nurseries | truth | any false flag | found (who knows) | adjusted, pooled held | rmse adjusted, pooled, crude |")
    print("| --- | --- | --- | --- | --- | --- |", flush=True)
    for many in (3, 8, 40, 200):
        for what, truth in CASES.items():
            f = measure(bodies if many < 40 else max(2, bodies // (2 if many == 40 else 5)), many, truth)
            false = f"{f['any flag']:.3f}" if truth.spread + truth.odd == 0 else f"{f['others']:.3f}" if truth.odd else ""
            power = f"{f['right']:.2f} ({f['right by who knows']:.2f})" if truth.odd else ""
            wrong = f"; wrong side {f['wrong side']:.4f} of all" if truth.spread else ""
            errors = ", ".join(f"{f[k] ** 0.5:.4f}" for k in ("mse", "pooled mse", "crude mse"))
            print(f"| {many} | {what} | {false}{wrong} | {power} | {f['held']:.3f}, {f['pooled held']:.3f} | {errors} |")
            pairs = f"{f['pairs held']:.3f}, of two nurseries at most {f['rare held']:.3f}"
            better = f"{f['pair mse'] ** 0.5:.4f} ({f['pair raw mse'] ** 0.5:.4f})"
            print(
                f"| | pairs held {pairs}; rmse (raw) {better}; spread {f['spread']:.3f}, held {f['spread held']:.2f} |",
                flush=True,
            )


def shares(many: int, large: float, sd: float, middle: float, size: int, reps: int = 2000) -> str:
    """How often the pooled share of nurseries (sd on the logit) is held; the first has `large` times what all others have."""
    dice = np.random.default_rng([many, int(large * 10), int(sd * 10)])
    n = np.maximum(5, (size * np.exp(dice.normal(0, 0.8, (reps, many)))).astype(int))
    if large:
        n[:, 0] = n[:, 1:].sum(1) * large
    y = dice.binomial(n, special.expit(middle + sd * dice.normal(size=(reps, many))))
    true = special.expit(middle + sd * NODE) @ WEIGHT
    found = pooled_shares(np.repeat(np.arange(reps), many), np.tile(np.arange(many), reps), np.ravel(y), np.ravel(n), reps)
    return f"{((found.low <= true) & (true <= found.high)).mean():.3f}"


HAZARD = np.array([5, 4, 3, 3, 2, 2, 2, 1, 1, 1, 1, 1]) / 100
NODE, WEIGHT = np.polynomial.hermite_e.hermegauss(30)
WEIGHT = WEIGHT / WEIGHT.sum()


def survival(many: int, large: float, sd: float, reps: int) -> str:
    """How often the curve of nurseries with frailties (sd on the log) is held after 3, 6 and 12 steps; half are followed for
    part of the time only."""
    dice, steps, held = np.random.default_rng([many, int(large * 10), 5]), len(HAZARD), []
    true = np.cumprod(1 - HAZARD[:, None] * np.exp(sd * NODE - sd**2 / 2), 0) @ WEIGHT
    for _ in range(reps):
        frailty = np.exp(sd * dice.normal(size=many) - sd**2 / 2)
        stands = np.maximum(20, (600 * np.exp(dice.normal(0, 0.8, many))).astype(int))
        if large:
            stands[0] = int(stands[1:].sum() * large)
        rows = []
        for i in range(many):
            for step in range(steps if i == 0 or dice.random() < 0.5 else int(dice.integers(2, steps))):
                lost = dice.binomial(stands[i], HAZARD[step] * frailty[i])
                rows.append((i, step, stands[i], lost))
                stands[i] -= lost
        found = pooled_survival(*np.array(rows).T, steps)
        held.append(((found.low <= true) & (true <= found.high))[[2, 5, 11]])
    return ", ".join(f"{v:.3f}" for v in np.mean(held, 0))


def taken(what: str, work) -> None:
    begin = time.process_time()
    work()
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what}: {time.process_time() - begin:.1f} s of CPU, at most {memory:.0f} MB until now", flush=True)


def many_cells(many: int, pairs: int = 240) -> Cells:
    """Fifty cells of three lots a nursery, of six of the pairs, in 24 months."""
    dice = np.random.default_rng(many)
    nursery, month = np.repeat(np.arange(many), 50), dice.integers(0, 24, many * 50)
    pair = dice.integers(0, pairs, (many, 6))[nursery, dice.integers(0, 6, many * 50)]
    named = np.stack([nursery, month, pair // 20, pair % 20, 1 + (dice.random(many * 50) < 0.15)])
    named, place = np.unique(named, axis=1, return_inverse=True)
    eta = 2 + 0.3 * dice.normal(size=many)[nursery] + 0.5 * dice.normal(size=(many, 24))[nursery, month]
    p = np.repeat(special.expit(eta + 0.5 * dice.normal(size=pairs)[pair]), 3)
    n = dice.integers(60, 400, len(p))
    y, place = dice.binomial(n, dice.beta(p * 49, (1 - p) * 49)), np.repeat(np.ravel(place), 3)
    return Cells(*named, *(np.bincount(place, v).astype(np.int64) for v in (np.ones(len(n)), n, y, n * n, n * y, y * y)))


def lost_of(many: int, lines: int = 24, cells: int = 40, differ: float = 0.3):
    """Rows for compare_losses: each nursery with 24 months of opening in 40 cells; nurseries differ."""
    dice = np.random.default_rng(many)
    house, line, cell = (np.ravel(v) for v in np.indices((many, lines, cells)))
    own = np.exp(differ * dice.normal(size=many))[house] * dice.gamma(10, 0.1, many * lines)[house * lines + line]
    exposure = dice.integers(50, 300, len(house))
    return house, line, cell, exposure, dice.poisson(exposure * np.linspace(0.005, 0.05, cells)[cell] * own)


def main() -> None:
    bodies = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    takes(bodies)
    print(
        "| nurseries | first against others | shares held: sd 0.5; sd 1 of 0.97; rare | curve held |\n| --- | --- | --- | --- |"
    )
    for many in (2, 3, 5, 10, 40, 200):
        for large in (0, 1) if many > 2 else (0,):
            found = [shares(many, large, *case) for case in ((0.5, 2.0, 1000), (1.0, 3.5, 200), (0.5, -4.0, 60))]
            curve = survival(many, large, 0.5, max(10, 2 * bodies // (1 + many // 20)))
            print(f"| {many} | {large} | {', '.join(found)} | {curve} |", flush=True)
    for many in (40, 200, 1000, 10_000):
        cells = many_cells(many)
        taken(f"{many} nurseries, {len(cells.read)} cells", lambda cells=cells: compare_nurseries(cells))
    for many in (1000, 10_000):
        rows = lost_of(many)
        taken(f"losses of {many} nurseries, {len(rows[0])} rows", lambda rows=rows: compare_losses(*rows))


if __name__ == "__main__":
    main()
