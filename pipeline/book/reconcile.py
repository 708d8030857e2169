"""Completed counts and the book -> what stands, which count is doubtful and why: the chains of all groups, worked out.

Rates are learned from what is dated before the first of the month of the day asked for (from everything, while that is
little), so they hold for a month, and a group that nothing new was recorded of keeps what was worked out for it before.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import fields, replace

import numpy as np

from pipeline.book.between_groups import Exchange, exchanged, moved, with_exchanges, with_moves
from pipeline.book.chains import MEASURES, Built, Worked, build, digest, exposures, work_out
from pipeline.formulas.chain_rates import EXACT, Learned, fixed, learn, with_exact
from pipeline.formulas.count_chain import Rates, kernels, narrowest, quantile
from pipeline.formulas.unrecorded_moves import Match
from pipeline.settings import Settings
from pipeline.store import Store

_ENOUGH = 200
_MOST_TO_LEARN_FROM = 1500


def _rates(store: Store, settings: Settings, built: Built, day: dt.date) -> Learned:
    """Learned from the months before this one, or as they were learned before from the very same."""
    given = {f.name: v for f in fields(settings.counting) if (v := getattr(settings.counting, f.name)) is not None}
    chains = built.chains
    until = (day.replace(day=1) - dt.date(1970, 1, 1)).days
    runs = np.arange(chains.counted.shape[1]) < chains.length[:, None]
    earlier = (runs & (built.day < until)).sum(1)
    if (chains.counted[runs & (built.day < until)] >= 0).sum() >= _ENOUGH:
        chains = replace(chains, length=earlier, counted=np.where(built.day < until, chains.counted, -1))
    rows = np.flatnonzero(chains.length > 0)
    if len(rows) > _MOST_TO_LEARN_FROM:
        drawn = np.array([int(hashlib.blake2b(built.codes[i].encode(), digest_size=6).hexdigest(), 16) for i in rows])
        rows = np.sort(rows[np.argsort(drawn)[:_MOST_TO_LEARN_FROM]])
    if not len(rows):
        return fixed(Learned(Rates(), np.full(len(built.staff), EXACT), EXACT), given)
    nodes = int(chains.length[rows].max())
    some, who = chains.take(rows, nodes), built.who[rows, :nodes]
    key = digest(repr((sorted(given.items()), built.staff, settings.crate_size)), *vars(some).values(), who)
    kept = json.loads(store.get("counting_rates") or "{}")
    if kept.get("key") == key:
        values = kept["rates"]
        rates = Rates(**values | {k: tuple(values[k]) for k in ("ways", "loss")})
        return Learned(rates, np.array(kept["exact"]), kept["common"])
    learned = learn(some, who, len(built.staff), settings.crate_size, given)
    store.put("counting_rates", json.dumps({
        "key": key, "rates": vars(learned.rates), "exact": learned.exact.tolist(), "common": learned.common,
    }))  # fmt: skip
    return learned


def reconcile(store: Store, settings: Settings, day: dt.date) -> None:
    """work.chain_beliefs (one row a node), work.stands_now (one row a group), work.paired_moves, work.exchanged."""
    store.build("placings", "chain_nodes", "of_others", "chain_jumps")
    built = build(store)
    learned = _rates(store, settings, built, day)
    store.connection.execute("CREATE TABLE IF NOT EXISTS work.chain_cache (mark VARCHAR, measures BLOB, low BIGINT, last BLOB)")
    store.connection.execute("CREATE OR REPLACE TEMP TABLE asked (mark VARCHAR)")
    chains = with_exact(built.chains, built.who, learned.exact, learned.common)
    worked = work_out(store, chains, learned.rates, settings.crate_size)
    exchanges = exchanged(built, worked, learned.rates.error)
    if exchanges:
        chains = with_exchanges(chains, exchanges)
        touched = {end[0] for x in exchanges for end in (x.one, x.other)}
        worked |= work_out(store, chains, learned.rates, settings.crate_size, touched)
    matches = moved(store, built, chains, worked, exchanges, learned.rates, settings.crate_size)
    if matches:
        touched = {end.row for m, _ in matches for end in (m.fall, m.rise)}
        worked |= work_out(store, with_moves(chains, matches), learned.rates, settings.crate_size, touched)
    # only what this run asked for is kept
    store.connection.execute("DELETE FROM work.chain_cache WHERE mark NOT IN (SELECT mark FROM asked)")
    _write(store, built, worked, learned, [m for m, _ in matches], exchanges, (day - dt.date(1970, 1, 1)).days)


def _stand_now(built: Built, row: int, w: Worked, rank: int, rates: Rates, day: int) -> tuple[int, int, int, float]:
    """(estimate, low, high, mean) of plants on the day: the last node's, less what is lost without a record since."""
    top = int(built.final_book[row]) + w.low + len(w.last) - 1
    if top <= 0:
        return 0, 0, 0, 0.0
    chances = np.zeros(top + 1)
    index = int(built.final_book[row]) + w.low + np.arange(len(w.last))
    np.add.at(chances, np.maximum(index, 0), w.last)
    plants = max(1, int(chances @ np.arange(top + 1)))
    days = max(0, day - int(built.day[row, built.chains.length[row] - 1]))
    exposure = exposures(np.array([float(days)]), np.array([float(plants)]))
    if exposure[0] > 0:
        whole, _, _ = kernels(rates, np.array([rank]), exposure, top + 1)
        chances = np.convolve(chances[::-1], whole[0, : top + 1])[top::-1]
    chances = chances / chances.sum()
    mean = float(chances @ np.arange(top + 1))
    low, high = narrowest(chances, 0.95)
    # where more was taken out than ever came in nothing is known but that it is little: the likeliest then
    middle = int(chances.argmax() if built.final_book[row] < 0 else quantile(chances, 0.5))
    return middle, min(low, middle), max(high, middle), round(mean, 4)


def _write(
    store: Store, built: Built, worked: dict[int, Worked], learned: Learned, matches: list[Match], exchanges: list[Exchange],
    day: int,
) -> None:  # fmt: skip
    codes = built.codes
    store.make("chain_beliefs", {"group_code": "VARCHAR", "position": "BIGINT"} | dict.fromkeys(MEASURES, "DOUBLE"), [
        (codes[row], t + 1, *values) for row, w in worked.items() for t, values in enumerate(w.measures.tolist())
    ])  # fmt: skip
    ranks = dict(store.rows("SELECT group_code, rank FROM work.stages"))
    numbers = dict.fromkeys(("estimate", "low", "high"), "BIGINT") | {"mean": "DOUBLE"}
    store.make("stands_now", {"group_code": "VARCHAR"} | numbers, [
        (codes[row], *_stand_now(built, row, w, ranks.get(codes[row], 1), learned.rates, day)) for row, w in worked.items()
    ])  # fmt: skip
    end = {"group_code": "VARCHAR", "position": "BIGINT", "other_group": "VARCHAR"}
    store.make("paired_moves", end | {"size": "BIGINT"}, [
        (codes[a.row], a.step + 1, codes[b.row], m.size) for m in matches for a, b in ((m.fall, m.rise), (m.rise, m.fall))
    ])  # fmt: skip
    store.make("exchanged", end, [
        (codes[a], t + 1, codes[b]) for x in exchanges for (a, t), b in ((x.one, x.other[0]), (x.other, x.one[0]))
    ])  # fmt: skip
