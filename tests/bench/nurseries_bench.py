"""By hand: `python tests/bench/nurseries_bench.py [BODIES] [PART ...]`. Bodies of our own making with a truth that the comparison
does not know: months of a nursery and batches that span months (sd 0.5 each on the logit), years of a nursery, lots (rho 0.02),
nurseries to which a pair comes easier (sd 0.3), unlike mixes and sizes. What is held as true is what is expected of more of all
these: the mean over them."""

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
    months: int = 24
    lots: float = 4.0
    """lots a month of a nursery of middle size"""
    large: bool = True


def body(seed: int, many: int, truth: Truth):
    """(cells, true adjusted takes (N,), true takes by pair, effects)."""
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
    of_month = truth.month * dice.normal(size=(many, truth.months))[nursery, month]
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
    around = np.sqrt(truth.month**2 + truth.batch**2 + year**2 + truth.pair**2) * node
    grid, share = np.unique(base, return_inverse=True)[0], None
    places = np.quantile(np.repeat(base, 1), (np.arange(200) + 0.5) / 200, weights=n, method="inverted_cdf")
    adjusted = np.array([(special.expit(places[:, None] + e + around) @ w / w.sum()).mean() for e in effect])
    del grid, share
    rest = season[month] - 0.5 * (attempt == 2) + effect[nursery]
    rest = np.quantile(rest, (np.arange(100) + 0.5) / 100, weights=n, method="inverted_cdf")
    pairs = 2.0 + by_stock[:, None] + by_scion + by_pair
    of_pairs = (special.expit(pairs[..., None, None] + rest[:, None] + around) @ w / w.sum()).mean(-1)
    # who knows the rest: the odd one's distance and its error by the best weights
    mine = nursery == 0
    v = np.diag(1 / (n * p * (1 - p)) * (1 + truth.rho * (n - 1)))[np.ix_(mine, mine)]
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
        note("spread held", out.spread_low <= truth.spread <= out.spread_high)
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


if __name__ == "__main__":
    bodies = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    print(
        {
            k: round(v, 4)
            for k, v in measure(
                bodies, int(sys.argv[2]), Truth(**eval(f"dict({sys.argv[3] if len(sys.argv) > 3 else ''})"))
            ).items()
        }
    )
