"""Nurseries compared fairly at a body that has only sums of each: take, losses of steps, shares.

The model of take: logit(take) = level + rootstock + scion + pair + month + attempt + nursery, fitted to the sums of cells
(nursery x month x rootstock x scion x attempt) as `lot_model.fit` does. Lots of one nursery share batches, weather and hands:
beside chance and the lots' own part (rho) there are random parts of a cell, of a nursery's month and year, of a scion of it in
a quarter (which stands for its batches) and of a nursery with a pair. Cells weigh so much less as these say. The variances come
from the sums of squares of what is left over between clusters of each kind within nurseries, set to what is expected of them
(C. R. Henderson's first method, Biometrics 9 (1953) 226-252), the fitted effects allowed for; with the doubt that they leave
(nurseries as clusters). Errors are those of the fit under these parts, not of the fit's own weights. The teams of a nursery are
part of what it is; its batches and months are chance. Where a body has one year only, a nursery and its year are one.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special
from scipy.sparse import csr_array

from pipeline.formulas.comparison import CANNOT, SPREAD, apart, q_values
from pipeline.formulas.lot_model import cut_off, fit, one_hot
from pipeline.formulas.overdispersion import USUAL_RHO
from pipeline.formulas.survival import product

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
Text = NDArray[np.str_]


class Cells(NamedTuple):
    """Sums of whole numbers (m,), one for each nursery x month (year * 12 + month) x rootstock x scion x attempt: lots, buds
    read and taken, and over the lots the sums of read^2, read x taken, taken^2."""

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
    mix, with its 95 % interval, the q-value of "differs from the mean of the others", `better`, `worse`, `cannot be compared`
    or nothing, and the degrees of freedom of that; and `pooled`, the same drawn towards the mean by how much nurseries differ.
    NaN where it cannot be compared."""

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
    """Of each rootstock with each scion (k,) (-1: each with those it had): lots, buds read, in how many nurseries, the share
    taken, and `take`, what it comes to had all nurseries budded it, with its 95 % interval: little known ones borrow from
    rootstock, scion and all nurseries."""

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
    """Of each level (L,): nurseries, whole sums of what was looked at and what was counted among it, their share, and its 95 %
    interval with the nurseries as clusters (NaN with one nursery: nothing tells how others would do)."""

    nurseries: Whole
    looked_at: Whole
    counted: Whole
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
_BEGIN = {"cell": 0.05, "month": 0.1, "batch": 0.05, "year": 0.02, "pair": 0.02}
"""Variances on the logit of a cell, of a nursery's month, batch and year, of a nursery with a pair: learning begins here."""
_QUICK = 300
_ENOUGH = 10
"""Fewer months than so many beyond one a nursery tell too little of how months differ."""
_PRIOR = 10.0
"""Degrees of freedom that the months of all nurseries count for beside a nursery's own, where too few tell how many."""
_TINY, _NO_DOUBT = 1e-300, 1e9


class _Kind(NamedTuple):
    """One kind of cluster: the cluster of each cell (m,), the nursery of each cluster (h,), and how much of the cluster's part
    a cell takes up (m,)."""

    of: Whole
    nursery: Whole
    scale: Real


def _sums(of: Whole, values: Real, many: int) -> Real:
    return np.bincount(of, values, many).astype(float)


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
        clusters = {
            "month": _one_of(who, cells.month),
            "batch": _one_of(who, cells.month // 3, level["scion"]),  # no batch is known: a scion in a quarter stands for one
            "year": _one_of(who, cells.month // 12),
            "pair": _one_of(who, pair),
        }
        for k, (number, first) in clusters.items():
            self.kinds[k] = _Kind(number, who[first], one)
        self.more = np.zeros((len(self.kinds), len(self.kinds) + 1))

    def rho_of_lots(self, mean: Real) -> tuple[float, float]:
        """rho by the squares of lots about their cell, and how many lots there are beyond one a cell."""
        c, p, q, n, nn = self.cells, self.y / self.n, mean * (1 - mean), self.n, self.nn
        free = float((c.lots - 1).sum())
        squares = c.yy - 2 * p * c.ny + p * p * nn
        # var y = n q (1 + (n - 1) rho), less what the cell's own mean takes; the sum of n^3 as of lots of one size
        plain = q * (n - nn / n)
        more = q * ((nn - n) - 2 * (nn * nn / n - nn) / n + nn * (nn - n) / n**2)
        of = (c.lots > 1) & (n > c.lots)
        weight = 1 / n[of]
        below = float((more[of] * weight).sum())
        rho = float(((squares - plain)[of] * weight).sum()) / below if below > 0 else 0.0
        return min(1.0, max(0.0, rho)), free

    def run(self) -> None:
        """Fit, variances, weights and spreads in turn."""
        b, mean = None, np.full(len(self.n), (self.y.sum() + 1) / (self.n.sum() + 2))
        variances = np.array([_BEGIN[k] for k in self.kinds])
        for turn in range(_ROUNDS):
            is_last = turn == _ROUNDS - 1
            self.rho, self.free_lots = self.rho_of_lots(mean)
            chance = 1 + self.rho * np.maximum(self.nn / self.n - 1, 0)
            information = self.n * mean * (1 - mean)
            inflated = chance.copy()
            for kind, variance in zip(self.kinds.values(), variances, strict=True):
                inflated += variance * np.bincount(kind.of, information)[kind.of]
            weight, near = 1 / inflated, 1e-8 if is_last else 1e-2
            self.fitted = fit(weight * self.y, weight * self.n, self.design, self.ridge, 0.0, b, near)
            b = self.fitted.coefficients
            mean = special.expit(self.design.times(b))[self.design.row]
            information = self.n * mean * (1 - mean)
            self.middle = float((mean * (1 - mean) * self.n).sum() / self.n.sum())
            self.weight, self.left = weight * information, weight * (self.y - self.n * mean)
            self.noise = _Kind(np.arange(len(self.n)), self.who, np.sqrt(chance / information))
            # the effects' part in what is expected hardly changes with the turns, and of many nurseries takes most of the time
            if is_last or turn == 1 or (turn > 1 and self.many <= _QUICK):
                self.allow_for_effects()
            variances = self.learn(variances)
            if not is_last:
                seen = b**2 + self.fitted.inverse.diagonal()
                for k in np.unique(self.family[self.family > 0]):
                    own = self.family == k
                    learned = (own.sum() + 4) / (seen[own].sum() + 4 * self.expected[own][0] ** 2)
                    self.ridge = np.where(own, learned, self.ridge)

    def _clusters(self) -> list[tuple[_Kind, Real, Real]]:
        """Each kind, chance last, with how much of its part each cell takes up, weighted (m,), and each cluster (h,)."""
        scaled = [(k, self.weight * k.scale) for k in (*self.kinds.values(), self.noise)]
        return [(k, s, _sums(k.of, s, len(k.nursery))) for k, s in scaled]

    def _columns(self, kind: _Kind, scaled: Real) -> csr_array:
        """(h, p) what the cells of each cluster take up of the columns but the nurseries', weighted."""
        column = self.design.column[:-1, self.design.row]
        place = np.tile(kind.of, len(column)), np.ravel(column)
        found = csr_array((np.tile(scaled, len(column)), place), shape=(len(kind.nursery), self.design.width + 1))
        return found[:, : self.design.width - self.many]

    def allow_for_effects(self) -> None:
        """What the clusters of each kind have of the columns, less their part of their nursery's, D (h, p): D'D, by nursery
        their sums weighted by size, and sums of squared sizes; and what the fitted effects take from each expected sum
        of squares, by the traces of C D'D C G'G and C D'N'G, G being D over the sizes, N what two kinds have together."""
        clusters, inverse = self._clusters(), self.fitted.inverse
        small, cross, total = inverse.small, inverse.cross, np.bincount(self.who, self.weight, self.many)
        taken = [self._columns(k, scaled) for k, scaled, _ in clusters]
        into = [csr_array((np.ones(len(k.nursery)), (k.nursery, np.arange(len(k.nursery))))) for k, _, _ in clusters]
        by = [(i @ _times(a, size)).toarray() for i, a, (_, _, size) in zip(into, taken, clusters, strict=True)]
        self.sizes = [np.bincount(k.nursery, size * size, self.many) for k, _, size in clusters]
        self.crossed, self.by_nursery = [], []
        for a, f, q in zip(taken, by, self.sizes, strict=True):
            mixed = cross @ f
            self.crossed.append((a.T @ a).toarray() - mixed - mixed.T + (cross * q) @ cross.T)
            self.by_nursery.append(f - (cross * q).T)
        for i in range(len(self.kinds)):
            g, _, size = clusters[i]
            over = _times(taken[i], 1 / size)
            mixed = cross @ (into[i] @ taken[i]).toarray()
            turned = small @ ((over.T @ taken[i]).toarray() - mixed - mixed.T + (cross * total) @ cross.T) @ small
            for j, (h, scaled, other) in enumerate(clusters):
                both = csr_array((scaled, (h.of, g.of)), shape=(len(other), len(size))) @ over
                part = (taken[j].T @ both).toarray() - by[j].T @ cross.T
                part -= cross @ (into[j] @ _times(both, other)).toarray() - (cross * self.sizes[j]) @ cross.T
                self.more[i, j] = (turned * self.crossed[j]).sum() - 2 * (small * part).sum()

    def learn(self, was: Real) -> Real:
        """The variances (k,) at which the sums of squares between the clusters of each kind within nurseries are what is
        expected of them, none below 0, and their doubt."""
        clusters, k = self._clusters(), len(self.kinds)
        total, rest = (np.bincount(self.who, v, self.many) for v in (self.weight, self.left))
        own, expected, likely = np.zeros((k, self.many)), np.zeros((k, k + 1, self.many)), np.zeros(k)
        for i, (g, _, size) in enumerate(clusters[:k]):
            own[i] = np.bincount(g.nursery, np.bincount(g.of, self.left, len(size)) ** 2 / size, self.many) - rest**2 / total
            in_all = np.zeros(len(size))
            for j, (h, scaled, other) in enumerate(clusters):
                both = csr_array((scaled, (g.of, h.of)), shape=(len(size), len(other)))
                both.data **= 2
                squares = both.sum(1)
                expected[i, j] = (
                    np.bincount(g.nursery, squares / size, self.many) - np.bincount(h.nursery, other**2, self.many) / total
                )
                in_all += np.append(was, 1.0)[j] * squares
            likely[i] = 2 * ((in_all / size) ** 2).sum()
        whole = expected.sum(2) + self.more
        a, wanted = whole[:, :k], own.sum(1) - whole[:, k]
        many = np.array([len(kind.nursery) for kind in self.kinds.values()])
        tells = (many > self.many) & (np.diag(a) > 1e-6 * many)
        kept = np.ix_(tells, tells)
        found, back, sd = np.zeros(k), np.zeros((k, k)), np.sqrt(np.maximum(likely, _TINY))
        if tells.any():
            found[tells] = optimize.nnls((a / sd[:, None])[kept], (wanted / sd)[tells])[0]
        back[kept] = np.linalg.pinv(a[kept])
        # how the nurseries disagree, but not less than clusters by themselves would
        each = own - np.einsum("ijn,j->in", expected, np.append(found, 1.0))
        each -= (self.more @ np.append(found, 1.0))[:, None] / self.many
        squares = (each @ each.T) * self.many / max(1, self.many - 1)
        wider = np.sqrt(np.maximum(1.0, likely / np.maximum(np.diag(squares), _TINY)))
        doubt = back @ (squares * np.outer(wider, wider)) @ back.T
        # what is possible is cut off at 0: the spread of what is left of a normal curve
        spread = np.sqrt(np.maximum(np.diag(doubt), _TINY))
        cut = cut_off(-(back @ wanted) / spread)[1]
        self.doubt = doubt * np.outer(cut, cut)
        # a nursery whose months differ more than those of others is known less
        month = list(self.kinds).index("month")
        usual = np.append(found, 1.0) @ expected[month]
        free_of = _sums(self.kinds["month"].nursery, np.ones(many[month]), self.many) - 1
        shown = np.divide(own[month], usual, out=np.ones(self.many), where=usual > 0)
        prior = _alike(shown, free_of)
        self.free_of_month = prior + free_of
        self.wider = np.maximum(1.0, (prior + free_of * shown) / self.free_of_month)
        # few months cannot show that they do not differ (as `overdispersion.cautious`)
        free = float(many[month] - self.many)
        floor = USUAL_RHO / max(self.middle, 0.01) * max(0.0, 1 - free / _ENOUGH)
        if found[month] < floor:
            found[month] = floor
            self.doubt[month, month] = max(self.doubt[month, month], 2 * floor**2 / max(4.0, free))
        self.variances = found
        return found

    def errors(self, slopes: Real, own: Real | None, times: Real | None, common: Real) -> tuple[Real, Real]:
        """(variance, freedom) of combinations (k,) of the coefficients: `slopes` (k, p) of the columns but the nurseries',
        `own` (N,) of the nursery of the same number (None: of none), and `times` (k,) `common` (N,) of all (None: of none).

        Freedom: F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114."""
        cross, scale = self.fitted.inverse.cross, self.fitted.inverse.own
        of_all = np.zeros(len(slopes)) if times is None else times
        rest = slopes - np.outer(of_all, cross @ common)
        if own is not None:
            rest -= own[:, None] * cross.T
        u, base = rest @ self.fitted.inverse.small, common * scale
        gave = np.zeros((len(slopes), len(self.crossed)))
        for j, (e, f, s) in enumerate(zip(self.crossed, self.by_nursery, self.sizes, strict=True)):
            gave[:, j] = np.einsum("ij,ij->i", u @ e, u) + 2 * of_all * (u @ (base @ f)) + of_all**2 * (base**2 @ s)
            if own is not None:
                mine = own * scale
                gave[:, j] += 2 * mine * np.einsum("ij,ij->i", u, f) + mine**2 * s * self.wider + 2 * of_all * mine * base * s
        by_parts, chance = gave[:, :-1], gave[:, -1]
        # and how far effects that are drawn towards nothing are drawn
        variance = by_parts @ self.variances + chance + u**2 @ self.ridge[: u.shape[1]]
        doubt = np.einsum("ij,jk,ik->i", by_parts, self.doubt, by_parts) + 2 * chance**2 / max(1.0, self.free_lots)
        if own is not None:
            at = list(self.kinds).index("month")
            doubt += 2 * (by_parts[:, at] * self.variances[at]) ** 2 / self.free_of_month
        return variance, np.clip(2 * variance**2 / np.maximum(doubt, _TINY), 1.0, _NO_DOUBT)


def _alike(shown: Real, free: Real) -> float:
    """How many degrees of freedom the variance of all counts for beside those of each one's own (N,), by how unlike variances
    `shown` (N,) are, as shares of it; a standard error more unlike than they seem. By the moments of their logarithms (G. K.
    Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3), trigamma(x) taken as 1 / (x - 1/2)."""
    tells = free >= 5
    if tells.sum() < 3:
        return _PRIOR
    half = free[tells] / 2
    logs = np.log(np.maximum(shown[tells], 0.05)) - special.digamma(half) + np.log(half)
    beyond = logs.var(ddof=1) * (1 + math.sqrt(2 / (len(logs) - 1))) - special.polygamma(1, half).mean()
    return float(1 + 2 / max(beyond, 1 / _NO_DOUBT))


def _times(rows: csr_array, by: Real) -> csr_array:
    """(h, p) the rows each so many times (h,)."""
    found = rows.copy()
    found.data *= np.repeat(by, np.diff(rows.indptr))
    return found


def between(estimates: Real, variances: Real, level: Whole, wanted: Real) -> Real:
    """(L,) of each level the variance between at which the weighted squares of its estimates (n,), with their own variances
    (n,), come to what is `wanted` (L,); 0 where they never come so high. At one less than there are it is R. C. Paule &
    J. Mandel's, J. Res. Natl. Bur. Stand. 87 (1982) 377-385; at quantiles of chi-squared with that freedom the limits of
    W. Viechtbauer, Statist. Med. 26 (2007) 37-52."""
    levels = len(wanted)
    found = np.zeros(levels)
    # the squares fall ever less steeply, so that Newton's steps from 0 come near without going past
    for _ in range(100):
        weight = 1 / (variances + found[level])
        middle = _sums(level, weight * estimates, levels) / np.maximum(_sums(level, weight, levels), _TINY)
        squares = weight * (estimates - middle[level]) ** 2
        over = _sums(level, squares, levels) - wanted
        if not (over > 1e-9 * (1 + wanted)).any():
            break
        found += np.maximum(over, 0.0) / np.maximum(_sums(level, weight * squares, levels), _TINY)
    return found


def _between_all(estimates: Real, variances: Real, wanted: Real) -> Real:
    """(q,) the same of one set at several."""
    level = np.repeat(np.arange(len(wanted)), len(estimates))
    return between(np.tile(estimates, len(wanted)), np.tile(variances, len(wanted)), level, wanted)


class _Mix(NamedTuple):
    """Cells put together into points alike in what they add: weight (q,), middle (q,) on the logit, mean rows (q, p)."""

    weight: Real
    middle: Real
    rows: Real


def _mix(work: _Work, kept: tuple[str, ...]) -> _Mix:
    """The whole mix, of the level and the factors `kept` alone."""
    design, first = work.design, work.design.width - work.many
    columns = [design.column[0], *(v for k, v in zip(work.where, design.column[1:], strict=True) if k in kept)]
    base = work.fitted.coefficients[np.stack(columns)].sum(0)
    buds = design.of_lots(work.n) / work.n.sum()
    order = np.argsort(base, kind="stable")
    buds, base = buds[order], base[order]
    point = np.unique(np.minimum(np.cumsum(buds) * _POINTS, _POINTS - 1).astype(np.int64), return_inverse=True)[1]
    weight = _sums(point, buds, int(point[-1]) + 1)
    rows = np.zeros((len(weight), first + 1))
    for column in columns:
        np.add.at(rows, (point, np.minimum(column[order], first)), buds / weight[point])
    return _Mix(weight, np.bincount(point, buds * base) / weight, rows[:, :first])


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
    nobody = np.zeros(0, dtype=np.int64)
    unknown = {k: np.full(len(names), math.nan) for k in Takes._fields[4:] if k != "flag"}
    takes = Takes(names, lots, read, taken, flag=np.full(len(names), CANNOT), **unknown)
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
    parts = dict(zip(work.kinds, work.variances.tolist(), strict=True))
    return Compared(takes, _borrow(work), *spread, parts, work.rho)


def _judge(work: _Work, read: Whole, least: int) -> tuple[dict[str, Real | Text], tuple[float, float, float]]:
    """Fields of `Takes` by name, and the spread between nurseries with its interval."""
    mix = _mix(work, ("rootstock", "scion", "pair", "season", "attempt"))
    effects, many = work.fitted.coefficients[work.own], work.many
    mean = special.expit(mix.middle + effects[:, None])
    share = mean @ mix.weight
    gain = mix.weight * mean * (1 - mean) / (share * (1 - share))[:, None]
    slopes, own, x = gain @ mix.rows, gain.sum(1), special.logit(share)
    none = np.zeros(many)
    variance, freedom = work.errors(slopes, own, None, none)
    rest = slopes - own[:, None] * work.fitted.inverse.cross.T
    level = np.full(many, 1 / many)
    for _ in range(3):
        apart_from = work.errors(slopes - level @ rest, own, None, none)[0]
        drawn = float(_between_all(x, apart_from, np.array([many - 1.0]))[0])
        level = 1 / (apart_from + drawn)
        level /= level.sum()
    half = special.stdtrit(freedom, 0.975) * np.sqrt(variance)
    against, free = work.errors(slopes - level @ slopes, own, np.ones(many), -level * own)
    difference = x - level @ x
    q = q_values(2 * special.stdtr(free, -np.abs(difference) / np.sqrt(against)))
    flag = np.where((q < 0.05) & (read >= least), np.where(difference > 0, "better", "worse"), "")
    at = special.chdtri(many - 1, 1 - (np.arange(_DRAWS) + 0.5) / _DRAWS)
    possible = _between_all(x, apart_from, at)[:, None]
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
    limits = _between_all(x, apart_from, special.chdtri(many - 1, [0.025, 0.975]))
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
    mix, first = _mix(work, ("season", "attempt", "nursery")), work.first_of_pair
    cells, pair, many, b = work.cells, work.levels["pair"], len(first), work.fitted.coefficients
    column = {k: work.where[k].start + work.levels[k][first] for k in ("rootstock", "scion", "pair")}
    mean = special.expit(mix.middle + sum(b[v] for v in column.values())[:, None])
    share, gain = mean @ mix.weight, mix.weight * mean * (1 - mean)
    slopes, times = gain @ mix.rows, gain.sum(1)
    for v in column.values():
        slopes[np.arange(many), v] = times
    read = np.bincount(pair, work.n, many)
    of_nursery = np.bincount(work.who, work.n, work.many) / work.n.sum()
    stock, scion = cells.rootstock[first], cells.scion[first]
    found = []
    for level, names in (
        (np.arange(many), (stock, scion)),
        (work.levels["rootstock"][first], (np.unique(stock), np.full(len(np.unique(stock)), -1))),
        (work.levels["scion"][first], (np.full(len(np.unique(scion)), -1), np.unique(scion))),
    ):
        levels = int(level.max()) + 1
        part = csr_array((read / np.bincount(level, read)[level], (level, np.arange(many))), shape=(levels, many))
        p, own = part @ share, level[pair]
        scale = 1 / (p * (1 - p))
        variance, freedom = work.errors((part @ slopes) * scale[:, None], None, (part @ times) * scale, of_nursery)
        x, half = special.logit(p), special.stdtrit(freedom, 0.975) * np.sqrt(variance)
        lots, buds, taken = (np.bincount(own, v, levels) for v in (cells.lots, work.n, work.y))
        nurseries = np.bincount(np.unique(own * work.many + work.who) // work.many, minlength=levels)
        limits = special.expit(x - half), special.expit(x + half)
        found.append((*names, lots, buds, nurseries, taken / buds, p, *limits))
    joined = [np.concatenate(v) for v in zip(*found, strict=True)]
    stock, scion, lots, buds, nurseries = (v.astype(np.int64) for v in joined[:5])
    return Borrowed(stock, scion, lots, buds, nurseries, *joined[5:])


def pooled_shares(level: ArrayLike, nursery: ArrayLike, counted: ArrayLike, looked_at: ArrayLike, levels: int) -> Shares:
    """Of each of so many levels the plain share of the sums over nurseries, from rows (m,) of whole numbers: level (0 to levels
    - 1), nursery, how many were `counted` among those `looked_at`.

    How nurseries differ is learned from their shares (`between`), so that a large one counts as one, and adds to the variance
    what their parts in the sum make of it; Wilson's interval on the effective size with Student's t of the nurseries less one.
    Of two it is wide; of one there is none.
    """
    where, who = np.asarray(level, dtype=np.int64), np.unique(np.asarray(nursery), return_inverse=True)[1]
    y, n = (np.asarray(v, dtype=float) for v in (counted, looked_at))
    kept, many = n > 0, int(who.max(initial=0)) + 1
    number, place = np.unique(where[kept] * many + who[kept], return_inverse=True)
    at = number // many
    y, n = _sums(place, y[kept], len(number)), _sums(place, n[kept], len(number))
    nurseries, all_y, all_n = np.bincount(at, minlength=levels), _sums(at, y, levels), _sums(at, n, levels)
    p = np.divide(all_y, all_n, out=np.full(levels, math.nan), where=all_n > 0)
    chance = p * (1 - p)
    differ = between(y / n, np.maximum(chance[at], 1e-12) / n, at, np.maximum(nurseries - 1.0, 0.0))
    parts = _sums(at, (n / all_n[at]) ** 2, levels)
    deff = 1 + np.divide(differ * parts * all_n, chance, out=np.zeros(levels), where=chance > 0)
    low, high = _wilson(p, np.maximum(all_n, 1.0) / deff, special.stdtrit(np.maximum(nurseries - 1, 1), 0.975))
    several = nurseries > 1
    limits = np.where(several, low, math.nan), np.where(several, high, math.nan)
    return Shares(nurseries, all_n.astype(np.int64), all_y.astype(np.int64), p, *limits)


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

    The product over the steps of 1 - lost / at risk of the sums. What each nursery adds to its logarithm (linearised, as
    D. Y. Lin & L. J. Wei, JASA 84 (1989) 1074-1078) says how nurseries differ, as in `pooled_shares`; beside it Greenwood's
    variance. Limits by log(-log) with Student's t of the nurseries less one.
    """
    names, who = np.unique(np.asarray(nursery), return_inverse=True)
    at, many = np.asarray(step, dtype=np.int64), len(names)
    risk, gone = (_sums(who * steps + at, np.asarray(v), many * steps).reshape(many, steps) for v in (at_risk, lost))
    all_risk, all_gone = risk.sum(0), gone.sum(0)
    curve, below = product(all_risk, all_gone), all_risk - all_gone
    hazard = np.divide(all_gone, all_risk, out=np.zeros(steps), where=all_risk > 0)
    each = np.cumsum(np.divide(gone - hazard * risk, below, out=np.zeros_like(risk), where=below > 0), axis=1)
    chance = np.cumsum(np.divide(hazard, below, out=np.zeros(steps), where=below > 0))
    # a nursery's part is what it has of the losses to be expected
    part = np.cumsum(np.divide(hazard * risk, below, out=np.zeros_like(risk), where=below > 0), axis=1)
    part /= np.maximum(part.sum(0), _TINY)
    i, t = np.nonzero(part)
    own = part[i, t]
    seen = np.bincount(t, minlength=steps)
    differ = between(each[i, t] / own, chance[t] / own, t, np.maximum(seen - 1.0, 0.0))
    error = np.sqrt(chance + differ * (part**2).sum(0))
    known = (curve > 0) & (curve < 1) & (seen > 1)
    safe = np.where(known, curve, 0.5)
    half = np.minimum(special.stdtrit(np.maximum(seen - 1, 1), 0.975) * error / np.abs(np.log(safe)), 30.0)
    limits = np.where(known, safe ** np.exp(half), math.nan), np.where(known, safe ** np.exp(-half), math.nan)
    return Survival((risk > 0).sum(0), all_risk.astype(np.int64), all_gone.astype(np.int64), curve, *limits)
