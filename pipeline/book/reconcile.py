"""Completed counts and the book -> what is believed of each group by its own chain, and what stands now.

Rates are learned from what is dated before the first of the month of the day asked for (from everything, while that is
little), so they hold for a month, and a group that nothing new was recorded of keeps what was worked out for it before.
"""

from __future__ import annotations

import json
from dataclasses import fields

import numpy as np

from pipeline.book.chains import build, exposures, work_out, write_down
from pipeline.formulas.chain_rates import EXACT, Learned, fixed, learn, with_exact
from pipeline.formulas.count_chain import Chains, Rates, kernels, narrowest, quantile
from pipeline.formulas.miscounts import Whole
from pipeline.stages import Work


def learn_rates(work: Work) -> None:
    """work.counting_rates: one row, the rates as JSON; `exact` is by person."""
    settings = work.context.workspace.settings
    given = {f.name: v for f in fields(settings.counting) if (v := getattr(settings.counting, f.name)) is not None}
    built = build(work, "learned_from", "learned_jumps")
    if built.codes:
        learned = learn(built.chains, built.who, len(built.staff), settings.crate_size, given)
    else:
        learned = fixed(Learned(Rates(), np.full(len(built.staff), EXACT), EXACT), given)
    exact = dict(zip(built.staff, learned.exact.tolist(), strict=True))
    said = json.dumps({"rates": vars(learned.rates), "exact": exact, "common": learned.common})
    work.put("counting_rates", {"said": "VARCHAR"}, [(said,)])


def rates_of(work: Work) -> tuple[Rates, dict[str, float], float]:
    """The rates in force: of the nursery, the chance of an exact count by person, and that of anybody else."""
    said = json.loads(work.value("SELECT said FROM work.counting_rates"))
    values = said["rates"]
    return Rates(**values | {k: tuple(values[k]) for k in ("ways", "loss")}), said["exact"], said["common"]


def counted_by(chains: Chains, who: Whole, staff: list[str], exact: dict[str, float], common: float) -> Chains:
    """The chains with the chance that each count is exact."""
    return with_exact(chains, who, np.array([exact.get(s, common) for s in staff]), common)


def believe_alone(work: Work) -> None:
    """work.alone (one row a node) and work.alone_ends (one row a group): each group by its own chain."""
    rates, exact, common = rates_of(work)
    built = build(work)
    chains = counted_by(built.chains, built.who, built.staff, exact, common)
    write_down(work, "alone", built, work_out(chains, rates, work.context.workspace.settings.crate_size))


def stand_now(work: Work) -> None:
    """work.stands_now: plants of each group on the day, its last node's less what is lost without a record since."""
    rates, _, _ = rates_of(work)
    day = work.value("SELECT (as_of - DATE '1970-01-01')::BIGINT FROM work.day")
    rows = [
        (code, *_stand_now(int(book), int(low), np.frombuffer(last), rank, rates, max(0, day - last_day)))
        for code, last_day, low, last, book, rank in work.rows(
            "SELECT e.group_code, e.last_day, e.low, e.last, b.book_count, coalesce(s.rank, 1) FROM work.chain_ends e"
            " JOIN work.books b USING (group_code) LEFT JOIN work.stages s USING (group_code)"
        )
    ]
    numbers = dict.fromkeys(("estimate", "low", "high"), "BIGINT") | {"mean": "DOUBLE"}
    work.put("stands_now", {"group_code": "VARCHAR"} | numbers, rows)


def _stand_now(book: int, begin: int, last: np.ndarray, rank: int, rates: Rates, days: int) -> tuple[int, int, int, float]:
    """(estimate, low, high, mean) of plants."""
    top = book + begin + len(last) - 1
    if top <= 0:
        return 0, 0, 0, 0.0
    chances = np.zeros(top + 1)
    np.add.at(chances, np.maximum(book + begin + np.arange(len(last)), 0), last)
    plants = max(1, int(chances @ np.arange(top + 1)))
    exposure = exposures(np.array([float(days)]), np.array([float(plants)]))
    if exposure[0] > 0:
        whole, _, _ = kernels(rates, np.array([rank]), exposure, top + 1)
        chances = np.convolve(chances[::-1], whole[0, : top + 1])[top::-1]
    chances = chances / chances.sum()
    mean = float(chances @ np.arange(top + 1))
    low, high = narrowest(chances, 0.95)
    # where more was taken out than ever came in nothing is known but that it is little: the likeliest then
    middle = int(chances.argmax() if book < 0 else quantile(chances, 0.5))
    return middle, min(low, middle), max(high, middle), round(mean, 4)
