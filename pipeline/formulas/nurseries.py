"""Nurseries compared fairly at a body that has only sums of each: take, losses of steps, shares.

The model of take: logit(take) = level + rootstock + scion + pair + month + attempt + nursery, fitted to the sums of cells
(nursery x month x rootstock x scion x attempt) as `lot_model.fit` does. Lots of one nursery share batches, weather and hands:
beside chance and the lots' own part (rho) there are random parts of a cell, of a nursery's month, quarter and year, and of a
nursery with a pair. Cells weigh so much less as these say. Their variances come from the sums of squares of what is left over
between clusters of each kind within nurseries, set to what is expected of them (C. R. Henderson's first method, Biometrics 9
(1953) 226-252), the fitted effects allowed for; with the doubt that they leave (nurseries as clusters). Errors are those of
the fit under these parts, not of the fit's own weights. The teams of a nursery are part of what it is; its batches and months
are chance. Where a body has one year only, a nursery and its year are one.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special
from scipy.sparse import csr_array

from pipeline.formulas.comparison import CANNOT, SPREAD, apart, q_values
from pipeline.formulas.lot_model import Design, Fit, fit, one_hot
from pipeline.formulas.overdispersion import USUAL_RHO
from pipeline.formulas.proportions import Z95
from pipeline.formulas.survival import log_log_interval, product

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
Text = NDArray[np.str_]


class Cells(NamedTuple):
    """Sums of whole numbers (m,), one for each nursery x month (year * 12 + month) x rootstock x scion x attempt: how many lots,
    buds read and taken, and over the lots the sums of read^2, read x taken, taken^2."""

    nursery: Whole
    month: Whole
    rootstock: Whole
    scion: Whole
    attempt: Whole
    lots: Whole
    read: Whole
    taken: Whole
    nn: Whole
    ny: Whole
    yy: Whole


class Takes(NamedTuple):
    """Of each nursery (N,), in the order of their numbers: lots, buds read, taken; `adjusted`, the take had it budded the whole
    mix, with its 95 % interval, the q-value of "differs from the mean of the others", `better`, `worse`, `cannot be compared` or
    nothing, and the degrees of freedom; and `pooled`, the same drawn towards the mean by how much nurseries differ. NaN where
    it cannot be compared."""

    nursery: Whole
    lots: Whole
    read: Whole
    taken: Whole
    adjusted: Real
    low: Real
    high: Real
    q_value: Real
    flag: Text
    freedom: Real
    pooled: Real
    pooled_low: Real
    pooled_high: Real


class Borrowed(NamedTuple):
    """Of each rootstock with each scion (k,) (-1: any): lots, buds read, in how many nurseries, the share taken, and `take`, what
    it comes to had all nurseries budded it, with its 95 % interval: little known ones borrow from rootstock, scion and all
    nurseries."""

    rootstock: Whole
    scion: Whole
    lots: Whole
    read: Whole
    nurseries: Whole
    share: Real
    take: Real
    low: Real
    high: Real


class Compared(NamedTuple):
    """Nurseries and pairs; `spread`, the standard deviation between nurseries on the logit, with its 95 % interval; the
    variances on the logit of the random parts by name; `rho` of lots."""

    takes: Takes
    pairs: Borrowed
    spread: float
    spread_low: float
    spread_high: float
    parts: dict[str, float]
    rho: float


class Shares(NamedTuple):
    """Of each level (L,): nurseries, `of` and `count` (whole sums), their share, and its 95 % interval with the nurseries as
    clusters (NaN with one nursery: nothing tells how others would do)."""

    nurseries: Whole
    of: Whole
    count: Whole
    share: Real
    low: Real
    high: Real


class Survival(NamedTuple):
    """Of each step (T,): nurseries that had anything at risk in it, sums at risk and lost, what came through until then and its
    95 % interval with the nurseries as clusters (NaN where it cannot be said)."""

    nurseries: Whole
    at_risk: Whole
    lost: Whole
    survival: Real
    low: Real
    high: Real


_COMPARED = 3.0
"""Standard deviation, on the logit, that a nursery is expected to have at most: only to keep all-green ones finite."""
_POINTS = 256
_ROUNDS = 8
_DRAWS = 40
"""Values of the variance between nurseries that are looked at, each as likely as the others."""
_ENOUGH = 10
_KINDS = {"month": 1, "quarter": 3, "year": 12}


class _Kind(NamedTuple):
    """One kind of cluster: the cluster of each cell (m,), the nursery of each cluster (h,), and how much of the cluster's part a
    cell takes up (m,)."""

    of: Whole
    nursery: Whole
    scale: Real


class _Parts(NamedTuple):
    """Variances (k,) by kind and what they are known by: (k, k) covariance."""

    variances: Real
    doubt: Real


def _one_of(*factors: Whole) -> tuple[Whole, Whole]:
    """The distinct combinations of factors (m,) numbered (m,), and where each is first."""
    number = np.zeros(len(factors[0]), dtype=np.int64)
    for factor in factors:
        number = np.unique(number * (int(factor.max(initial=0)) + 1) + factor, return_inverse=True)[1]
    return number, np.unique(number, return_index=True)[1]


class _Work:
    """The cells of those that can be compared, the design, and the fit under weights."""

    def __init__(self, cells: Cells, who: Whole) -> None:
        self.cells, self.who, self.many = cells, who, int(who.max()) + 1
        self.n, self.y, self.nn = (np.asarray(v, dtype=float) for v in (cells.read, cells.taken, cells.nn))
        month = np.unique(cells.month, return_inverse=True)[1]
        named = {"rootstock": cells.rootstock, "scion": cells.scion, "attempt": cells.attempt}
        level = {k: np.unique(v, return_inverse=True)[1] for k, v in named.items()}
        level["season"] = month
        pair, self.first_of_pair = _one_of(level["rootstock"], level["scion"])
        self.levels = level | {"pair": pair}
        self.design, self.where = one_hot(self.levels | {"nursery": who}, "nursery")
        self.own = self.where["nursery"]
        spread, self.family = np.full(self.design.width, 5.0), np.zeros(self.design.width, dtype=np.int64)
        for i, (k, columns) in enumerate(self.where.items(), 1):
            spread[columns] = _COMPARED if k == "nursery" else SPREAD[k]
            self.family[columns] = i if k not in ("attempt", "nursery") else 0
        self.expected, self.ridge = spread, 1 / spread**2
        one = np.ones(len(who))
        self.kinds: dict[str, _Kind] = {"cell": _Kind(np.arange(len(who)), who, one)}
        clusters = {k: _one_of(who, np.asarray(cells.month) // months) for k, months in _KINDS.items()}
        clusters["pair"] = _one_of(who, pair)
        for k, (number, first) in clusters.items():
            self.kinds[k] = _Kind(number, who[first], one)

    def rho_of_lots(self, mean: Real) -> tuple[float, float]:
        """rho by the squares of lots about their cell, and how many lots there are beyond one a cell."""
        c, p = self.cells, self.y / self.n
        several = np.asarray(c.lots) > 1
        free = float((np.asarray(c.lots) - 1)[several].sum())
        q, n, nn = mean * (1 - mean), self.n, self.nn
        squares = np.asarray(c.yy) - 2 * p * c.ny + p * p * nn
        # var y = n q (1 + (n - 1) rho), less what the cell's own mean takes; the sum of n^3 as of lots of one size
        plain = q * (n - nn / n)
        more = q * ((nn - n) - 2 * (nn * nn / n - nn) / n + nn * (nn - n) / n**2)
        of = several & (n > c.lots)
        weight = 1 / n[of]
        below = float((more[of] * weight).sum())
        rho = float(((squares - plain)[of] * weight).sum()) / below if below > 0 else 0.0
        return min(1.0, max(0.0, rho)), free

    def run(self) -> None:
        """Fit, variances, weights and spreads in turn."""
        c = self.cells
        variances, b = np.array([0.05, 0.1, 0.05, 0.02, 0.02]), None
        mean = np.full(len(self.n), (self.y.sum() + 1) / (self.n.sum() + 2))
        self.parts = _Parts(variances, np.zeros((5, 5)))
        for turn in range(_ROUNDS):
            self.rho, self.free_lots = self.rho_of_lots(mean)
            information = self.n * mean * (1 - mean)
            chance = 1 + self.rho * np.maximum(self.nn / self.n - 1, 0)
            inflated = chance.copy()
            for (_, kind), variance in zip(self.kinds.items(), variances, strict=True):
                inflated += variance * np.bincount(kind.of, information)[kind.of]
            weight = 1 / inflated
            self.fitted = fit(
                weight * self.y, weight * self.n, self.design, self.ridge, 0.0, b, 1e-2 if turn < _ROUNDS - 1 else 1e-8
            )
            b = self.fitted.coefficients
            mean = special.expit(self.design.times(b))[self.design.row]
            information = self.n * mean * (1 - mean)
            self.w = weight * information
            self.noise = _Kind(np.arange(len(self.n)), self.who, np.sqrt(chance / information))
            self.left = weight * (self.y - self.n * mean)
            variances = self.learn(variances)
            seen = b**2 + self.fitted.inverse.diagonal()
            for k in np.unique(self.family[self.family > 0]):
                own = self.family == k
                self.ridge = np.where(own, (own.sum() + 4) / (seen[own].sum() + 4 * self.expected[own][0] ** 2), self.ridge)
        del c

    def columns(self, scaled: Real, kind: _Kind) -> csr_array:
        """(h, p) what each cluster takes up of the columns but the nurseries', weighted."""
        first = self.design.width - self.many
        column = self.design.column[:-1, self.design.row]
        place = np.tile(kind.of, len(column))
        found = csr_array(
            (np.tile(scaled, len(column)), (place, np.ravel(column))), shape=(len(kind.nursery), self.design.width + 1)
        )
        return found[:, :first]

    def within(self, kind: _Kind) -> csr_array:
        return csr_array(
            (np.ones(len(kind.nursery)), (np.arange(len(kind.nursery)), kind.nursery)), shape=(len(kind.nursery), self.many)
        )

    def learn(self, was: Real) -> Real:
        """Variances by the sums of squares between clusters of each kind."""
        names = list(self.kinds)
        inverse = self.fitted.inverse
        small, cross, total = inverse.small, inverse.cross, np.bincount(self.who, self.w, self.many)
        all_kinds = [*self.kinds.values(), self.noise]
        scaled = [self.w * k.scale for k in all_kinds]
        size = [np.bincount(k.of, s, len(k.nursery)) for k, s in zip(all_kinds, scaled, strict=True)]
        taken = [self.columns(s, k) for k, s in zip(all_kinds, scaled, strict=True)]
        into = [self.within(k) for k in all_kinds]
        # what clusters have of the columns, less their share of the nursery's: its squares, and with the sizes by nursery
        by = [(i.T @ (a.multiply(s[:, None]).tocsr())).toarray() for i, a, s in zip(into, taken, size, strict=True)]
        squared = [np.bincount(k.nursery, s * s, self.many) for k, s in zip(all_kinds, size, strict=True)]
        self.E, self.F, self.S = [], [], []
        for a, f, q in zip(taken, by, squared, strict=True):
            mixed = cross @ f
            self.E.append((a.T @ a).toarray() - mixed - mixed.T + (cross * q) @ cross.T)
            self.F.append(f - (cross * q).T)
            self.S.append(q)
        k = len(names)
        own, expected = np.zeros((k, self.many)), np.zeros((k, k + 1, self.many))
        more = np.zeros((k, k + 1))
        likely = np.zeros(k)
        for i in range(k):
            g, weight = all_kinds[i], size[i]
            sums = np.bincount(g.of, self.left, len(weight))
            own[i] = (
                np.bincount(g.nursery, sums**2 / weight, self.many) - np.bincount(self.who, self.left, self.many) ** 2 / total
            )
            # the fitted effects, allowed for: tr(C D'D C G'G) - 2 tr(C D' N' G)
            over = taken[i].multiply(1 / weight[:, None]).tocsr()
            share = (into[i].T @ taken[i]).toarray()
            gg = (over.T @ taken[i]).toarray() - cross @ share - share.T @ cross.T + (cross * total) @ cross.T
            turned = small @ gg @ small
            in_all = np.zeros(len(weight))
            for j, h in enumerate(all_kinds):
                both = csr_array((scaled[j], (g.of, h.of)), shape=(len(weight), len(h.nursery)))
                squares = both.multiply(both).sum(1)
                expected[i, j] = np.bincount(g.nursery, squares / weight, self.many) - squared[j] / total
                mixed = both.T @ over
                part = (taken[j].T @ mixed).toarray() - (by[j].T @ cross.T)
                last = (into[j].T @ mixed.multiply(size[j][:, None]).tocsr()).toarray()
                part = part - cross @ last + (cross * squared[j]) @ cross.T
                more[i, j] = (turned * self.E[j]).sum() - 2 * (small * part).sum()
                in_all += (was[j] if j < k else 1.0) * squares
            likely[i] = 2 * ((in_all / weight) ** 2).sum()
        whole = expected.sum(2) + more
        self.debug = (own.sum(1), whole)
        clusters = np.array([len(kind.nursery) for kind in self.kinds.values()], dtype=float)
        tells = (clusters > self.many) & (np.diag(whole[:, :k]) > 1e-6 * clusters)
        rows = 1 / np.sqrt(np.maximum(likely, 1e-300))
        found = np.zeros(k)
        a = (whole[:, :k] * rows[:, None])[np.ix_(tells, tells)]
        found[tells] = optimize.nnls(a, ((own.sum(1) - whole[:, k]) * rows)[tells])[0]
        each = own - np.einsum("ijn,j->in", expected[:, :k], found) - expected[:, k]
        each -= (more[:, :k] @ found + more[:, k])[:, None] / self.many
        back = np.zeros((k, k))
        back[np.ix_(tells, tells)] = np.linalg.pinv(whole[:, :k][np.ix_(tells, tells)])
        by_nursery = (each @ each.T) * self.many / max(1, self.many - 1)
        scale = np.sqrt(np.maximum(1.0, likely / np.maximum(np.diag(by_nursery), 1e-300)))
        self.parts = _Parts(found, back @ (by_nursery * np.outer(scale, scale)) @ back.T)
        return found

    def errors(self, slopes: Real, own: Real, is_own: bool, common: Real, times: Real) -> tuple[Real, Real]:
        """(variance, freedom) of combinations (k,): `slopes` (k, p) of the columns but the nurseries', `own` (k,) of the nursery of
        the same number (where `is_own`), and `times` (k,) `common` (N,) of all nurseries."""
        inverse = self.fitted.inverse
        cross, scale = inverse.cross, inverse.own
        rest = slopes - np.outer(times, cross @ common)
        if is_own:
            rest = rest - own[:, None] * cross.T
        u = rest @ inverse.small
        base = common * scale
        gave = np.zeros((len(slopes), len(self.E)))
        for j, (e, f, s) in enumerate(zip(self.E, self.F, self.S, strict=True)):
            gave[:, j] = np.einsum("ij,ij->i", u @ e, u) + 2 * times * (u @ (base @ f)) + times**2 * (base**2 @ s)
            if is_own:
                mine = own * scale
                gave[:, j] += 2 * mine * np.einsum("ij,ij->i", u, f) + mine**2 * s + 2 * times * mine * base * s
        # of the columns that are drawn towards nothing: how far they are drawn
        first = self.design.width - self.many
        drawn = (u**2) @ self.ridge[:first]
        k = len(self.parts.variances)
        by_parts = gave[:, :k] @ self.parts.variances
        variance = by_parts + gave[:, k] + drawn
        doubt = np.einsum("ij,jk,ik->i", gave[:, :k], self.parts.doubt, gave[:, :k])
        doubt += 2 * gave[:, k] ** 2 / max(1.0, self.free_lots)
        return variance, np.clip(2 * variance**2 / np.maximum(doubt, 1e-300), 1.0, 1e9)


def between(estimates: Real, variances: Real, quantiles: ArrayLike) -> Real:
    """The variances between (q,) at which the weighted squares of estimates (n,) with their own variances (n,) come to each of
    these `quantiles`; 0 where they never come so high. At n - 1 it is R. C. Paule & J. Mandel's, J. Res. Natl. Bur. Stand. 87
    (1982) 377-385; at quantiles of chi-squared with n - 1 the limits of W. Viechtbauer, Statist. Med. 26 (2007) 37-52."""
    wanted = np.asarray(quantiles, dtype=float)
    found = np.zeros(len(wanted))
    for _ in range(200):
        weight = 1 / (variances + found[:, None])
        middle = (weight @ estimates) / weight.sum(1)
        squares = weight * (estimates - middle[:, None]) ** 2
        over = squares.sum(1) - wanted
        step = over / np.maximum((squares * weight).sum(1), 1e-300)
        found = np.where(over > 0, found + step, found)
        if not (over > 1e-10 * (1 + wanted)).any():
            break
    return found


class _Mix(NamedTuple):
    """Cells put together into points alike in what they add: weight (q,), middle (q,) on the logit, mean rows (q, p)."""

    weight: Real
    middle: Real
    rows: Real


def _mix(work: _Work, kept: tuple[str, ...]) -> _Mix:
    """The whole mix, of the factors `kept` and the level alone."""
    design, first = work.design, work.design.width - work.many
    coefficients = np.append(work.fitted.coefficients, 0.0)
    taken = [np.where(v == design.width, first, v) for k, v in zip(work.where, design.column[1:], strict=True) if k in kept]
    base = sum((coefficients[v] for v in (design.column[0], *taken)), np.zeros(design.column.shape[1]))
    if "nursery" in kept:
        taken = [np.minimum(v, first) for v in taken]
    buds = design.of_lots(work.n) / work.n.sum()
    order = np.argsort(base, kind="stable")
    point = np.unique(np.minimum(np.cumsum(buds[order]) * _POINTS, _POINTS - 1).astype(np.int64), return_inverse=True)[1]
    weight = np.bincount(point, buds[order])
    rows = np.zeros((len(weight), first + 1))
    for column in (design.column[0], *taken):
        np.add.at(rows, (point, column[order]), buds[order] / weight[point])
    return _Mix(weight, np.bincount(point, buds[order] * base[order]) / weight, rows[:, :first])


def compare_nurseries(cells: Cells, least: int = 200) -> Compared:
    """The nurseries compared by take, and the pairs they budded, from the cells (m,).

    `adjusted` is marginal standardisation over all buds read; the mean that each is held against weighs nurseries by how well
    they are known and how much they differ; q-values are Y. Benjamini & Y. Hochberg's. Flags from `least` buds read on. Drawn
    takes are means, and their doubt, over the variances between nurseries that the data leave possible (`between` at quantiles
    of chi-squared): C. N. Morris, JASA 78 (1983) 47-65.
    """
    columns = [np.asarray(v, dtype=np.int64) for v in cells]
    cells = Cells(*(v[columns[6] > 0] for v in columns))
    names, who = np.unique(cells.nursery, return_inverse=True)
    lots, read, taken = (np.bincount(who, v, len(names)).astype(np.int64) for v in (cells.lots, cells.read, cells.taken))
    nothing, nobody = np.full(len(names), math.nan), np.zeros(0, dtype=np.int64)
    takes = Takes(
        names,
        lots,
        read,
        taken,
        *[nothing.copy() for _ in range(4)],
        np.full(len(names), CANNOT),
        *[nothing.copy() for _ in range(4)],
    )
    alone = apart(who, cells.rootstock, cells.scion) if len(names) else set()
    told = np.array([i for i in range(len(names)) if i not in alone], dtype=np.int64)
    if len(told) < 2:
        empty = Borrowed(nobody, nobody, nobody, nobody, nobody, *[np.zeros(0)] * 4)
        return Compared(takes, empty, math.nan, math.nan, math.nan, {}, math.nan)
    kept = ~np.isin(who, sorted(alone))
    work = _Work(Cells(*(v[kept] for v in cells)), np.searchsorted(told, who[kept]))
    work.run()
    judged, spread = _judge(work, read[told], least)
    for field, values in judged.items():
        getattr(takes, field)[told] = values
    parts = dict(zip(work.kinds, work.parts.variances.tolist(), strict=True))
    return Compared(takes, _borrow(work), *spread, parts, work.rho)


def _judge(work: _Work, read: Whole, least: int) -> tuple[dict[str, Real | Text], tuple[float, float, float]]:
    """Fields of `Takes` by name, and the spread between nurseries with its interval."""
    mix = _mix(work, ("rootstock", "scion", "pair", "season", "attempt"))
    effects, many = work.fitted.coefficients[work.own], work.many
    mean = special.expit(mix.middle + effects[:, None])
    share = mean @ mix.weight
    gain = mix.weight * mean * (1 - mean) / (share * (1 - share))[:, None]
    slopes, own, x = gain @ mix.rows, gain.sum(1), special.logit(share)
    none, zero = np.zeros(many), np.zeros(many)
    variance, freedom = work.errors(slopes, own, True, none, zero)
    rest = slopes - own[:, None] * work.fitted.inverse.cross.T
    level = np.full(many, 1 / many)
    for _ in range(3):
        apart_from = work.errors(slopes - level @ rest, own, True, none, zero)[0]
        drawn = float(between(x, apart_from, [many - 1])[0])
        level = 1 / (apart_from + drawn)
        level /= level.sum()
    half = special.stdtrit(freedom, 0.975) * np.sqrt(variance)
    against, free = work.errors(slopes - level @ slopes, own, True, -level * own, np.ones(many))
    difference = x - level @ x
    q = q_values(2 * special.stdtr(free, -np.abs(difference) / np.sqrt(against)))
    flag = np.where((q < 0.05) & (read >= least), np.where(difference > 0, "better", "worse"), "")
    at = special.chdtri(many - 1, 1 - (np.arange(_DRAWS) + 0.5) / _DRAWS)
    possible = between(x, apart_from, at)[:, None]
    stays = possible / (possible + apart_from)
    weight = 1 / (possible + apart_from)
    weight /= weight.sum(1)[:, None]
    centre = (weight @ x)[:, None]
    each = stays * x + (1 - stays) * centre
    doubt = stays**2 * apart_from + (1 - stays) ** 2 * (weight**2 @ apart_from)[:, None]
    doubt += 2 * stays * (1 - stays) * weight * apart_from
    doubt += (1 - stays) ** 2 * possible * (1 - 2 * weight + (weight**2).sum(1)[:, None])
    pooled = each.mean(0)
    wide = special.stdtrit(freedom, 0.975) * np.sqrt(doubt.mean(0) + each.var(0) + np.maximum(variance - apart_from, 0.0))
    limits = between(x, apart_from, special.chdtri(many - 1, [0.025, 0.975]))
    return {
        "adjusted": share,
        "low": special.expit(x - half),
        "high": special.expit(x + half),
        "q_value": q,
        "flag": flag,
        "freedom": free,
        "pooled": special.expit(pooled),
        "pooled_low": special.expit(pooled - wide),
        "pooled_high": special.expit(pooled + wide),
    }, (math.sqrt(drawn), math.sqrt(limits[0]), math.sqrt(limits[1]))


def _borrow(work: _Work) -> Borrowed:
    """The pairs, then each rootstock with the scions it had, then each scion with its rootstocks."""
    mix = _mix(work, ("season", "attempt", "nursery"))
    cells, pair, many = work.cells, work.levels["pair"], len(work.first_of_pair)
    b = work.fitted.coefficients
    lots, read, taken = (np.bincount(pair, v, many) for v in (cells.lots, work.n, work.y))
    column = {k: work.where[k].start + work.levels[k][work.first_of_pair] for k in ("rootstock", "scion", "pair")}
    mean = special.expit(mix.middle + sum(b[v] for v in column.values())[:, None])
    share = mean @ mix.weight
    gain = mix.weight * mean * (1 - mean)
    slopes, times = gain @ mix.rows, gain.sum(1)
    for v in column.values():
        slopes[np.arange(many), v] = times
    sets = [csr_array((np.ones(many), (np.arange(many), np.arange(many))), shape=(many, many))]
    names = [(cells.rootstock[work.first_of_pair], cells.scion[work.first_of_pair])]
    for k in ("rootstock", "scion"):
        level = work.levels[k][work.first_of_pair]
        sets.append(csr_array((np.ones(many), (level, np.arange(many)))))
        own = np.unique(getattr(cells, k))
        other = np.full(len(own), -1)
        names.append((own, other) if k == "rootstock" else (other, own))
    seen = work.kinds["pair"]
    found = []
    for of, (stock, scion) in zip(sets, names, strict=True):
        buds = of @ read
        part = of.multiply(read[None, :] / buds[:, None]).tocsr()
        p = part @ share
        scale = 1 / (p * (1 - p))
        variance, freedom = work.errors(
            (part @ slopes) * scale[:, None],
            np.zeros(len(p)),
            False,
            np.bincount(work.who, work.n, work.many) / work.n.sum(),
            (part @ times) * scale,
        )
        half = special.stdtrit(freedom, 0.975) * np.sqrt(variance)
        at = of.T @ np.arange(len(p))
        place = np.unique(np.asarray(at, dtype=np.int64)[pair] * work.many + work.who) // work.many
        x = special.logit(p)
        found.append(
            (
                stock,
                scion,
                of @ lots,
                buds,
                np.bincount(place, minlength=len(p)),
                (of @ taken) / buds,
                p,
                special.expit(x - half),
                special.expit(x + half),
            )
        )
    del seen
    joined = [np.concatenate(v) for v in zip(*found, strict=True)]
    return Borrowed(*(v.astype(np.int64) for v in joined[:5]), *joined[5:])


def pooled_shares(level: ArrayLike, nursery: ArrayLike, count: ArrayLike, of: ArrayLike, levels: int) -> Shares:
    """Of each of so many levels the plain share of the sums over nurseries, from rows (m,) of whole numbers: level (0 to levels
    - 1), nursery, `count` of `of`.

    Nurseries are the clusters of a ratio (J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577-585), each square enlarged by
    the nursery's share in all; Wilson's interval on the effective size with Student's t. Its freedom is that of so many
    nurseries as would weigh alike (L. Kish's number by squares of sizes), less one. Of two it is wide; of one there is none.
    """
    where, who = np.asarray(level, dtype=np.int64), np.unique(np.asarray(nursery), return_inverse=True)[1]
    y, n = (np.asarray(v, dtype=float) for v in (count, of))
    kept = n > 0
    many = int(who.max(initial=0)) + 1
    number, place = np.unique(where[kept] * many + who[kept], return_inverse=True)
    at = number // many
    y, n = np.bincount(place, y[kept], len(number)), np.bincount(place, n[kept], len(number))
    nurseries = np.bincount(at, minlength=levels)
    all_y, all_n = np.bincount(at, y, levels), np.bincount(at, n, levels)
    with np.errstate(invalid="ignore", divide="ignore"):
        p = all_y / all_n
        part = n / all_n[at]
        squares = np.bincount(at, (y - n * p[at]) ** 2 / np.maximum(1 - part, 1e-9), levels)
        deff = np.maximum(1.0, np.where((p > 0) & (p < 1), squares / (all_n * p * (1 - p)), 1.0))
        alike = np.bincount(at, part**2, levels) ** 2 / np.bincount(at, part**4, levels)
    low, high = _wilson(p, all_n / deff, _student(nurseries, alike))
    whole = nurseries > 1
    counted, summed = (np.bincount(where, np.asarray(v, dtype=np.int64), levels).astype(np.int64) for v in (count, of))
    return Shares(nurseries, summed, counted, p, np.where(whole, low, math.nan), np.where(whole, high, math.nan))


def _student(nurseries: Whole, alike: Real) -> Real:
    freedom = np.maximum(1.0, np.minimum(nurseries, np.nan_to_num(alike, nan=1.0)) - 1)
    quantile: Real = special.stdtrit(freedom, 0.975)
    return quantile


def _wilson(share: Real, size: Real, z: Real) -> tuple[Real, Real]:
    """Wilson's limits, as `proportions.wilson` has them, of many shares."""
    scale = 1 + z * z / size
    middle = (share + z * z / (2 * size)) / scale
    half = z * np.sqrt(share * (1 - share) / size + z * z / (4 * size * size)) / scale
    return np.where(share > 0, np.maximum(middle - half, 0.0), share), np.where(
        share < 1, np.minimum(middle + half, 1.0), share
    )


def pooled_survival(nursery: ArrayLike, step: ArrayLike, at_risk: ArrayLike, lost: ArrayLike, steps: int) -> Survival:
    """What comes through steps 0 to steps - 1, from rows (m,) of whole numbers: nursery, step, plants at risk in it and lost.

    The product over the steps of 1 - lost / at risk of the sums; the variance of its logarithm from what each nursery adds to
    it (linearised, nurseries as clusters, each square enlarged by the nursery's share); limits by log(-log) with Student's t
    of freedom as in `pooled_shares`. D. Y. Lin & L. J. Wei, JASA 84 (1989) 1074-1078, for survivals of clusters so.
    """
    names, who = np.unique(np.asarray(nursery), return_inverse=True)
    at, many = np.asarray(step, dtype=np.int64), len(names)
    risk, gone = (
        np.bincount(who * steps + at, np.asarray(v, dtype=float), many * steps).reshape(many, steps) for v in (at_risk, lost)
    )
    all_risk, all_gone = risk.sum(0), gone.sum(0)
    curve = product(all_risk, all_gone)
    hazard = np.divide(all_gone, all_risk, out=np.zeros(steps), where=all_risk > 0)
    below = np.where(all_risk > 0, all_risk * (1 - hazard), 0.0)
    each = np.cumsum(np.divide(gone - hazard * risk, below, out=np.zeros_like(risk), where=below > 0), axis=1)
    part = np.cumsum(risk, axis=1) / np.maximum(np.cumsum(all_risk), 1.0)
    variance = (each**2 / np.maximum(1 - part, 1e-9)).sum(0)
    # not less than were every plant by itself (Greenwood)
    variance = np.maximum(variance, np.cumsum(np.divide(hazard, below, out=np.zeros(steps), where=below > 0)))
    with np.errstate(invalid="ignore", divide="ignore"):
        alike = (part**2).sum(0) ** 2 / (part**4).sum(0)
    seen = (np.cumsum(risk, axis=1) > 0).sum(0)
    low, high = log_log_interval(curve, curve * np.sqrt(variance), 1)
    low, high = _log_log(curve, np.sqrt(variance), _student(seen, alike))
    known = (curve > 0) & (curve < 1) & (seen > 1)
    return Survival(
        (risk > 0).sum(0),
        all_risk.astype(np.int64),
        all_gone.astype(np.int64),
        curve,
        np.where(known, low, math.nan),
        np.where(known, high, math.nan),
    )


def _log_log(survival: Real, error: Real, quantile: Real) -> tuple[Real, Real]:
    """Limits by log(-log) from the error of log(survival)."""
    safe = np.where((survival > 0) & (survival < 1), survival, 0.5)
    half = np.minimum(quantile * error / np.abs(np.log(safe)), 30.0)
    return safe ** np.exp(half), safe ** np.exp(-half)
