"""The chains of groups, put together from the books, and what is worked out of them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.formulas.chain_rates import batches
from pipeline.formulas.count_chain import (
    NEAR,
    ROUNDED,
    SOUND,
    Beliefs,
    Chains,
    Rates,
    believe,
    exposures,
    quantile,
    quantiles,
    widened,
)
from pipeline.formulas.miscounts import SHOWN, Real, Whole
from pipeline.stages import Work
from pipeline.store import Store

WRONG_SDS = 3.5
"""A count is wrong when it is off by more than so many standard deviations of a near count, and by more than 2 plants."""
_LATE_LOSS, _NOT_MADE = 0.10, 0.005
_PARTS = 6
"""Of counts made up of more numbers than these only the sum is looked at."""
JUMPS = 3
"""Recorded movements of a step that may be otherwise than recorded; jumps after these are moves between groups."""
MEASURES = (
    "expected",
    "expected_low",
    "expected_high",
    "stands",
    "stands_low",
    "stands_high",
    "p_wrong",
    "p_exact",
    "p_rounded",
    "p_copied",
    "agrees_by_chance",
    "error",
    "way",
    "way_chance",
    "missing",
    "missing_low",
    "missing_high",
    "gone",
    "missing_chance",
    "jump_1",
    "jump_2",
    "jump_3",
    "paired",
    "paired_odds",
    "opening",
    "opening_wrong",
)
"""What is kept of each node; `way` is an index of near or rounded (0), then WAYS; `agrees_by_chance` the chance that an honest
count would be the number shown; `missing` is the fall without a record in the step, the middle of what is believed of it,
`gone` the mean, `missing_chance` the chance that at least half as many as in the middle are really missing (or too many);
`paired` the chance of a move to or from another group, `paired_odds` its natural log odds;
`opening` what the group really opened with and `opening_wrong` the chance that this is not what was written."""


@dataclass(frozen=True)
class Built:
    """The chains of some groups with what names their parts. `codes` (G,); `day` (G, T) days since 1970; `who` (G, T, P) who
    counted, as numbers of `staff`."""

    codes: list[str]
    chains: Chains
    who: Whole
    staff: list[str]
    day: Whole


def build(work: Work, nodes: str = "chain_input", jumps: str = "chain_jumps", chosen: str = "true") -> Built:
    """The chains of the groups for which `chosen` (SQL) is true, from a table of nodes and one of jumps."""
    columns = work.arrays(f"SELECT * FROM work.{nodes} WHERE {chosen} ORDER BY group_code, position")
    codes, g = np.unique(np.asarray(columns["group_code"], dtype=str), return_inverse=True)
    t = np.asarray(columns["position"], dtype=np.int64) - 1
    many = int(t.max(initial=0)) + 1
    length = np.bincount(g, minlength=len(codes)).astype(np.int64)

    def spread(name: str, empty: int) -> Whole:
        filled = np.full((len(codes), many), empty, dtype=np.int64)
        filled[g, t] = np.asarray(columns[name], dtype=np.int64)
        return filled

    exposure, others = np.zeros((len(codes), many)), np.zeros((len(codes), many))
    exposure[g, t] = exposures(np.asarray(columns["days"], float), np.asarray(columns["plants"], float))
    others[g, t] = np.asarray(columns["others"], float)
    numbers = [[int(n) for n in str(s).split()] for s in columns["typed"]]
    counted = np.asarray(columns["counted"], dtype=np.int64)
    typed = np.full((len(codes), many, max([1, *(len(n) for n in numbers if len(n) <= _PARTS)])), -1, dtype=np.int64)
    for i, said_numbers in enumerate(numbers):
        if counted[i] >= 0:
            is_whole = 0 < len(said_numbers) <= _PARTS and sum(said_numbers) <= counted[i]
            parts = said_numbers if is_whole else [int(counted[i])]
            typed[g[i], t[i], : len(parts)] = parts
    names = [str(s).split() for s in columns["staff"]]
    staff = sorted({s for row in names for s in row})
    number = {s: i for i, s in enumerate(staff)}
    who = np.full((len(codes), many, max([1, *map(len, names)])), -1, dtype=np.int64)
    for i, row in enumerate(names):
        who[g[i], t[i], : len(row)] = [number[s] for s in row]
    opened = np.zeros(len(codes), dtype=np.int64)
    opened[g] = np.asarray(columns["opened_with"], dtype=np.int64)
    nothing = np.zeros((len(codes), many))
    said = work.rows(
        f"SELECT group_code, position, is_loss, size, turn FROM work.{jumps} WHERE {chosen} ORDER BY group_code, position, turn"
    )
    jump, jump_chance = _jumps(said, {c: i for i, c in enumerate(codes)}, many)
    chains = Chains(
        length,
        opened,
        np.zeros(len(codes)),
        spread("counted", -1),
        spread("book", 0),
        spread("least", 0),
        spread("ceiling", -1),
        exposure,
        spread("rank", 1),
        typed,
        nothing,
        nothing,
        nothing,
        nothing,
        spread("shown", -1),
        spread("known", -1),
        spread("alive", -1),
        others,
        jump,
        jump_chance,
    )
    return Built(codes.tolist(), chains, who, staff, spread("on_day", 0))


def _jumps(rows: list[tuple[Any, ...]], index: dict[str, int], nodes: int) -> tuple[Whole, Real]:
    size = np.zeros((len(index), nodes, JUMPS), dtype=np.int64)
    chance = np.zeros((len(index), nodes, JUMPS))
    for code, position, is_loss, plants, turn in rows:
        place = (index[code], position - 1, turn - 1)
        size[place], chance[place] = plants, _LATE_LOSS if is_loss else _NOT_MADE
    return size, chance


def digest(words: str, *arrays: object) -> str:
    """A mark that is another whenever the words or a number of the arrays is."""
    mark = hashlib.blake2b(words.encode(), digest_size=16)
    for array in arrays:
        mark.update(np.ascontiguousarray(array).tobytes())
    return mark.hexdigest()


@dataclass(frozen=True)
class Worked:
    """Of one group: MEASURES of each node (L, M), and P(D = low + i) at the last node."""

    measures: Real
    low: int
    last: Real


def _measures(chains: Chains, b: Beliefs, rates: Rates) -> Real:
    """(G, T, M) MEASURES of a batch."""
    width = b.state.shape[2]
    base = b.low[:, None] + chains.book
    stood = base[..., None] + np.arange(width)
    off = np.abs(chains.counted[..., None] - stood)
    state, without = b.state[:, 1:], b.without[:, 1:]
    made = chains.counted >= 0
    at_shown = np.rint(chains.shown / (1 + chains.lean)).astype(np.int64) - base
    agrees = np.take_along_axis(without, np.clip(at_shown, 0, width - 1)[..., None], axis=-1)[..., 0]
    agrees = np.where((at_shown >= 0) & (at_shown < width), agrees, 0) * chains.exact * (1 - chains.rounds)
    usual = WRONG_SDS * rates.error * np.sqrt(1 + 8 * rates.tail)  # the tail is three times as wide
    wrong = off > np.maximum(usual * stood, 2)
    causes = np.concatenate([b.ways[..., NEAR, None] + b.ways[..., ROUNDED, None], b.ways[..., SOUND:]], axis=-1)
    total = np.maximum(causes.sum(-1), 1e-12)
    losses = np.concatenate([b.moved[..., width:], b.moved[..., :width]], axis=-1)
    fall = [v - width for v in quantiles(losses, 0.5, 0.025, 0.975)]
    sizes = np.arange(-width, width)
    half = np.where(fall[0] > 0, (fall[0] + 1) // 2, -((1 - fall[0]) // 2))[..., None]
    is_so = np.where(half > 0, sizes >= half, sizes <= half)
    paired = b.jumped[..., JUMPS:].sum(-1)
    first = b.low[:, None] + np.arange(width)
    misstated = np.abs(first) > np.maximum(usual * chains.opened[:, None], 2)
    opening = (chains.opened + b.low + quantile(b.state[:, 0], 0.5), (b.state[:, 0] * misstated).sum(1))
    columns = [
        *(np.maximum(0, base + v) for v in quantiles(without, 0.5, 0.025, 0.975)),
        *(np.maximum(0, base + v) for v in quantiles(state, 0.5, 0.025, 0.975)),
        np.where(made, (state * wrong).sum(-1), 0),
        np.where(made, (state * (off == 0)).sum(-1), 0),
        b.ways[..., ROUNDED],
        b.ways[..., SOUND + SHOWN],
        np.where(made & (chains.shown >= 0), agrees, 0),
        np.where(made, (state * off).sum(-1), 0),
        causes.argmax(-1),
        causes.max(-1) / total,
        *fall,
        losses @ sizes,
        np.einsum("gtw,gtw->gt", losses, is_so),
        *np.moveaxis(b.jumped[..., :JUMPS], -1, 0),
        paired,
        np.log(np.maximum(paired, 1e-12) / np.maximum(1 - paired, 1e-12)),
        *(np.broadcast_to(v[:, None], made.shape) for v in opening),
    ]
    stacked: Real = np.stack([np.asarray(c, dtype=np.float64) for c in columns], axis=-1)
    return stacked.round(4)


def _anew(chains: Chains, rates: Rates, crate_size: int) -> Iterator[tuple[int, Worked]]:
    for batch in batches(chains):
        beliefs = believe(batch.chains, batch.low, batch.width, rates, crate_size)
        open_lean = batch.chains.open_lean * batch.chains.opened
        wide = np.flatnonzero(open_lean)
        for believed in (beliefs.state, beliefs.without):
            believed[wide, 1:] = widened(believed[wide, 1:], open_lean[wide])
        measures = _measures(batch.chains, beliefs, rates)
        for i, row in enumerate(batch.rows):
            length = int(chains.length[row])
            last = beliefs.state[i, length].round(10)
            held = np.flatnonzero(last > 1e-9)
            yield int(row), Worked(measures[i, :length], int(batch.low[i] + held[0]), last[held[0] : held[-1] + 1])


def work_out(chains: Chains, rates: Rates, crate_size: int, rows: Iterable[int] | None = None) -> dict[int, Worked]:
    """What is believed of these chains (of all, or of some), by their number."""
    chosen = np.array(sorted(range(len(chains.length)) if rows is None else set(rows)), dtype=np.int64)
    some = chains.take(chosen, chains.counted.shape[1])
    return {int(chosen[i]): worked for i, worked in _anew(some, rates, crate_size)}


def work_out_once(store: Store, chains: Chains, rates: Rates, crate_size: int) -> dict[int, Worked]:
    """The same of all, from `work.chain_cache` where nothing that a chain depends on has changed. The cache then holds just
    what was asked for."""
    about = repr((rates, crate_size, MEASURES, WRONG_SDS))
    keys = []
    for row in range(len(chains.length)):
        length = int(chains.length[row])
        own = [v[row] if v.ndim == 1 else v[row, :length] for k, v in vars(chains).items() if not k.startswith("jump")]
        jumps = np.nonzero(chains.jump_chance[row, :length])
        own += [np.stack(jumps), chains.jump[row][jumps], chains.jump_chance[row][jumps]]
        keys.append(digest(about, *own))
    kinds = {"mark": "VARCHAR", "measures": "BLOB", "low": "BIGINT", "last": "BLOB"}
    columns = ", ".join(f"{name} {kind}" for name, kind in kinds.items())
    store.connection.execute(f"CREATE TABLE IF NOT EXISTS work.chain_cache ({columns})")
    found = {
        mark: Worked(np.frombuffer(m).reshape(-1, len(MEASURES)), low, np.frombuffer(last))
        for mark, m, low, last in store.rows("SELECT * FROM work.chain_cache WHERE mark IN (SELECT unnest(?))", [keys])
    }
    missing = np.array([row for row, key in enumerate(keys) if key not in found], dtype=np.int64)
    if len(missing):
        new = {}
        for i, worked in _anew(chains.take(missing, chains.counted.shape[1]), rates, crate_size):
            new[keys[int(missing[i])]] = worked
        store.insert(
            "work.chain_cache", list(kinds), [(k, w.measures.tobytes(), w.low, w.last.tobytes()) for k, w in new.items()]
        )
        found |= new
    store.connection.execute("DELETE FROM work.chain_cache WHERE mark NOT IN (SELECT unnest(?))", [keys])
    return {row: found[key] for row, key in enumerate(keys)}


def write_down(work: Work, name: str, built: Built, worked: dict[int, Worked]) -> None:
    """work.NAME_beliefs (or NAME itself for `alone`): one row a node with MEASURES; and NAME_ends: one row a group."""
    import pyarrow as pa

    rows = sorted(worked)
    lengths = [len(worked[row].measures) for row in rows]
    codes = pa.array([built.codes[row] for row in rows], pa.string())
    each = np.repeat(np.arange(len(rows)), lengths)
    measures = np.concatenate([worked[row].measures for row in rows]) if rows else np.zeros((0, len(MEASURES)))
    positions = np.concatenate([np.arange(1, n + 1) for n in lengths]) if rows else np.zeros(0, dtype=np.int64)
    nodes = {"group_code": codes.take(pa.array(each, pa.int64())), "position": pa.array(positions, pa.int64())}
    nodes |= {m: pa.array(measures[:, i], pa.float64()) for i, m in enumerate(MEASURES)}
    work.put_arrow("alone" if name == "alone" else f"{name}_beliefs", pa.table(nodes))
    ends = {
        "group_code": codes,
        "last_day": pa.array([int(built.day[row, n - 1]) for row, n in zip(rows, lengths, strict=True)], pa.int64()),
        "low": pa.array([worked[row].low for row in rows], pa.int64()),
        "last": pa.array([worked[row].last.tobytes() for row in rows], pa.binary()),
    }
    work.put_arrow(f"{name}_ends", pa.table(ends))
