"""Where to count next, from the tables: the round that takes most doubt away, and what would be left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from formpack.group_code import shown
from formpack.words import current, listed, many, number, tr, trn
from pipeline.book.reconcile import rates_of
from pipeline.formulas.miscounts import Real
from pipeline.formulas.next_round import Costs, Counting, choose, numbers, variance_left
from pipeline.formulas.sums import DRAWS, SHARES, Shared, draw_sums, sum_intervals
from pipeline.settings import Walk
from pipeline.store import Store
from pipeline.tables import names_of

ROUND = tuple("standing stands_now houses counts counting_rates shared_doubt owed list_locations".split())
"""The tables that `gather_round` reads."""
_MOST = 1000
"""Groups that are looked at: those with the most doubt a minute."""
_WIDE = 1.96
_ROWS = """
SELECT s.group_code, s.location, coalesce(h.house, s.location, '') AS house, s.estimate, n.low, n.high, n.unseen, n.spread,
    c.staff_codes, p.trees, sum(s.estimate) OVER (PARTITION BY s.rootstock, s.scion) AS of_pair
FROM work.standing s
JOIN work.stands_now n USING (group_code)
LEFT JOIN work.houses h ON h.location = s.location
LEFT JOIN work.counts c ON c.group_code = s.group_code AND c.is_last
LEFT JOIN (SELECT rootstock, scion, sum(open) AS trees FROM work.owed GROUP BY ALL HAVING sum(open) > 0) p
    ON p.rootstock = s.rootstock AND p.scion = s.scion
WHERE s.stage <> 'gone'
ORDER BY s.group_code
"""


@dataclass(frozen=True)
class ToCount:
    """A group of the round. `doubt` and `doubt_left` are plants: the number may be off by so many, now and after a count."""

    group: str
    place: str
    house: str
    plants: int
    not_by: str
    minutes: int
    doubt: int
    doubt_left: int


@dataclass(frozen=True)
class Round:
    """`doubt`, `doubt_left`: half the interval of what stands, of all groups; `promised` that of the groups of pairs that are
    owed to orders, where there are any."""

    hours: float
    minutes: int
    houses: int
    between: int
    """Minutes to come into the houses, beside those of the groups; both are in `minutes`."""
    groups: list[ToCount]
    doubt: int
    doubt_left: int
    promised: int | None
    promised_left: int | None

    @property
    def says(self) -> str:
        """The round and what it takes away, in a sentence or two."""
        time = many_hours(self.hours)
        if not self.groups:
            return tr("{time}: no group can be counted in that time so that it takes doubt away.", time=time)
        said = tr(
            "{time}, {groups} of {houses}: the interval of what stands falls from ± {before} to ± {after}.",
            time=time,
            groups=many(len(self.groups), "group"),
            houses=many(self.houses, "house"),
            before=self.doubt,
            after=self.doubt_left,
        )
        if self.promised is None:
            return said
        if self.promised_left == self.promised:
            owed = tr("That of groups of pairs that are owed to orders stays ± {before}.", before=self.promised)
        else:
            owed = tr(
                "That of groups of pairs that are owed to orders falls from ± {before} to ± {after}.",
                before=self.promised,
                after=self.promised_left,
            )
        return f"{said} {owed}"


def many_hours(hours: float) -> str:
    """`1 hour`, `0.75 hours`, as the language writes it."""
    said = f"{hours:g}" if current() == "en" else number(hours, len(f"{hours:g}".partition(".")[2]))
    return trn("{hours} hour", "{hours} hours", 1 if hours == 1 else 2, hours=said)


def _spreads(cells: Sequence[bytes]) -> tuple[Real, Real, Real]:
    """What groups may hold, as `work.stands_now` has it: their numbers, the means of these, and how they vary."""
    spread = np.array([np.frombuffer(c, dtype=np.float32) for c in cells], dtype=float).reshape(len(cells), len(SHARES))
    mean = spread @ SHARES / DRAWS
    return spread, mean, ((spread - mean[:, None]) ** 2) @ SHARES / DRAWS


def doubts(store: Store) -> dict[str, int]:
    """How far the number of each group to be counted again may be off now, in plants, as a round of counting has it."""
    rows = store.rows(
        "SELECT group_code, n.spread FROM work.standing s JOIN work.stands_now n USING (group_code) WHERE s.state <> 'ok'"
    )
    _, _, varies = _spreads([cells for _, cells in rows])
    return {code: round(_WIDE * np.sqrt(v)) for (code, _), v in zip(rows, varies, strict=True)}


def gather_round(store: Store, walk: Walk, hours: float) -> Round:
    """The round of so many hours, from 0.1 to 1,000."""
    rows = store.rows(_ROWS)
    in_force = rates_of(store)
    counting = Counting(in_force.common.exact, in_force.rates.error, in_force.rates.gross)
    spread, mean, now = _spreads([r[7] for r in rows])
    plants = np.array([r[3] for r in rows], dtype=float)
    of_group = plants * 60 / walk.plants_per_hour + walk.minutes_per_group
    # a group of a pair that is all owed to orders counts twice
    weight = 1 + np.array([min(1.0, r[9] / r[10]) if r[9] and r[10] else 0.0 for r in rows])
    left = now.copy()
    for i in np.argsort(-weight * now / of_group, kind="stable")[:_MOST]:
        _, left[i] = variance_left(*numbers(spread[i]), counting)
    left = np.minimum(left, now)
    house = [r[2] for r in rows]
    chosen = choose(weight * (now - left), house, Costs(of_group, walk.minutes_per_house), hours * 60)
    is_chosen = np.isin(np.arange(len(rows)), chosen)
    share = np.where(is_chosen, np.sqrt(left / np.maximum(now, 1e-300)), 1.0)
    after = mean[:, None] + (spread - mean[:, None]) * share[:, None]
    unseen = np.array([r[6] for r in rows], dtype=float)
    of = np.array([[0] * len(rows), [1 if r[9] else 2 for r in rows]], dtype=np.int64)
    shared = Shared(*store.rows("SELECT lean, loss FROM work.shared_doubt")[0])
    halves = [
        _half(draw_sums([r[0] for r in rows], cells, gone, of, 3, shared))
        for cells, gone in ((spread, unseen), (after, np.where(is_chosen, 0.0, unseen)))
    ]
    names = names_of(store, "locations")
    has_promised = any(r[9] for r in rows)
    found = Round(
        hours=hours,
        minutes=round(of_group[chosen].sum() + walk.minutes_per_house * len({house[i] for i in chosen})),
        houses=len({house[i] for i in chosen}),
        between=round(walk.minutes_per_house * len({house[i] for i in chosen})),
        groups=[],
        doubt=halves[0][0],
        doubt_left=min(halves[1][0], halves[0][0]),
        promised=halves[0][1] if has_promised else None,
        promised_left=min(halves[1][1], halves[0][1]) if has_promised else None,
    )
    return replace(
        found,
        groups=[
            ToCount(
                shown(r[0]),
                names.get(r[1], r[1] or ""),
                names.get(r[2], r[2]),
                r[3],
                listed((r[8] or "").split()),
                round(of_group[i]),
                round(_WIDE * np.sqrt(now[i])),
                round(_WIDE * np.sqrt(left[i])),
            )
            for i in chosen
            for r in [rows[i]]
        ],
    )


def _half(drawn: Real) -> list[int]:
    found = sum_intervals(drawn)
    return [round(v) for v in (found.high - found.low) / 2]
