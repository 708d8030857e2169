"""The submissions of an invented nursery as phones would send them: cut to the number asked for, with the faults of real life,
and each answer as it stands in a file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from formpack import group_code
from tests.bench.crop import Columns, Ints
from tests.bench.lives import Nursery, new_nursery, raised
from tests.bench.trade import COUNTED, FIRST, TODAY, Ways, day

FAULTS = {"code": 0.003, "double": 0.003, "edit": 0.005, "counted": 0.002, "planted": 0.001}
"""How often a submission of a form that it can befall has each fault: half a percent of all, together."""


@dataclass
class Sent:
    """Submissions as raw columns by form, and the code of every group that they speak of."""

    nursery: Nursery
    tables: dict[str, Columns]
    families: int
    codes: NDArray[Any] = field(default_factory=lambda: np.zeros(0, dtype=object))

    def __len__(self) -> int:
        return sum(len(t["day"]) for t in self.tables.values())


def some_years(submissions: int, years: int, seed: int, ways: Ways | None = None, per_group: int = 18) -> Sent:
    """Exactly so many submissions: of whole families of groups, the last one as far as it fits. A family gives at least so many
    a group sown, over all of them."""
    nursery = raised(max(5, round(submissions / per_group)), years, seed, ways)
    return _cut(nursery, _spoiled(_joined(nursery), nursery.dice), submissions)


def many_counts(counts: int, seed: int) -> Sent:
    """Exactly so many stock counts, and the openings of their groups."""
    nursery = new_nursery(max(5, round(counts / 30)), 8, seed)
    nursery.live(np.arange(len(nursery.crop)), COUNTED)
    tables = _spoiled(_joined(nursery), nursery.dice)
    sent = _cut(nursery, {"stock_count": tables["stock_count"]}, counts)
    sent.tables["open_group"] = some(tables["open_group"], tables["open_group"]["family"] < sent.families)
    return sent


def _cut(nursery: Nursery, tables: dict[str, Columns], submissions: int) -> Sent:
    family, days = (np.concatenate([t[name] for t in tables.values()]) for name in ("family", "day"))
    if len(family) < submissions:
        raise ValueError(f"the groups give only {len(family)} submissions, not {submissions}")
    is_kept = np.zeros(len(family), bool)
    is_kept[np.lexsort((days, family))[:submissions]] = True
    bounds = np.cumsum([len(t["day"]) for t in tables.values()])[:-1]
    tables = {f: some(t, k) for (f, t), k in zip(tables.items(), np.split(is_kept, bounds), strict=True)}
    sent = Sent(nursery, tables, int(family[is_kept].max()) + 1)
    sent.codes = _codes(sent)
    return sent


def some_more(before: Sent, submissions: int) -> Sent:
    """So many more of the next working day and the day before it, in some hundreds of the groups that stand and in new ones."""
    nursery, dice = before.nursery, before.nursery.dice
    crop, nursery.sent, nursery.until = nursery.crop, {}, day(TODAY)
    standing = (crop.family < before.families) & (crop.stands > 50) & (before.codes != "")
    often = dice.permutation(np.flatnonzero(standing))[: max(1, round(submissions * 0.6))]

    def pick(share: float, stages: tuple[int, ...], rested: int) -> Ints:
        fit = np.isin(crop.stage[often], stages) & (crop.clock[often] <= nursery.until - rested)
        return dice.permutation(often[fit])[: round(submissions * share)]

    for name, share, stages, rested, back in (
        ("cull", 0.08, (0, 1), 10, 1),
        ("bud", 0.04, (1,), 20, 1),
        ("cut", 0.05, (3,), 5, 1),
        ("take", 0.06, (2,), 11, 1),
        ("ship", 0.03, (6,), 20, 0),
        ("relocate", 0.1, tuple(range(7)), 0, 0),
        ("loss", 0.3, tuple(range(7)), 0, 0),
        ("stock", 0.6, tuple(range(7)), 0, 0),
    ):
        g = pick(share, stages, rested)
        crop.clock[g] = nursery.until - back
        nursery.fade(g, 10)
        getattr(nursery, name)(g)
    codes = np.concatenate([before.codes, _open_more(before, max(1, submissions // 40))])
    tables = _spoiled(_joined(nursery), dice)
    surplus = len(Sent(nursery, tables, 0)) - submissions
    counts = tables["stock_count"]
    if not 0 <= surplus <= len(counts["day"]):
        raise ValueError(f"{len(often)} standing groups do not give {submissions} submissions")
    tables["stock_count"] = some(counts, np.arange(len(counts["day"])) >= surplus)
    return Sent(nursery, tables, before.families, codes)


def _open_more(before: Sent, groups: int) -> NDArray[Any]:
    """Opens so many new groups on the last day; their codes follow on the last of the year."""
    nursery = before.nursery
    new = new_nursery(groups, 1, groups, nursery.ways).crop
    new.family += len(nursery.crop)
    new.clock[:] = new.opened[:] = nursery.until
    new.sown = new.opened - 87
    first = len(nursery.crop)
    nursery.crop = nursery.crop.joined(new)
    nursery.open(np.arange(first, len(nursery.crop)))
    issued = sum(code[:2] == f"{TODAY:%y}" for code in before.codes)
    return np.array(group_code.issue(TODAY.year, issued + 1, groups), dtype=object)


def _joined(nursery: Nursery) -> dict[str, Columns]:
    return {form: {name: np.concatenate([p[name] for p in parts]) for name in parts[0]} for form, parts in nursery.sent.items()}


def some(table: Columns, which: NDArray[Any]) -> Columns:
    return {name: column[which] for name, column in table.items()}


def _spoiled(tables: dict[str, Columns], dice: np.random.Generator) -> dict[str, Columns]:
    """Wrong digits, sums that cannot be, entries made twice, edits. A key is a number drawn for each submission."""
    for form_id, table in tables.items():
        many = len(table["day"])
        keys = np.frombuffer(dice.bytes(16 * many), np.uint8).reshape(many, 16).copy()
        keys[:, 6], keys[:, 8] = keys[:, 6] & 0x0F | 0x40, keys[:, 8] & 0x3F | 0x80
        table |= {"key": keys, "edits": np.zeros_like(keys), "is_again": np.zeros(many, bool), "is_wrong": np.zeros(many, bool)}
        if form_id in ("stock_count", "loss", "relocate", "cull_round"):
            table["is_wrong"] = dice.random(many) < FAULTS["code"]
        if form_id == "open_group":
            odd = dice.random(many) < FAULTS["planted"]
            table["planted"] = np.where(odd, np.maximum(table["planted"] - 20, 0), table["planted"])
        if form_id == "cull_round":
            table["counted"] = np.where(dice.random(many) < FAULTS["counted"], 9, table["counted"])
        if form_id in ("stock_count", "loss", "relocate"):
            table = _twice(table, dice, FAULTS["double"])
        if form_id == "stock_count":
            table = _edited(table, dice, FAULTS["edit"])
        tables[form_id] = table
    return tables


def _fresh(table: Columns, which: NDArray[Any], mark: int) -> Columns:
    """Copies under keys of their own."""
    copies = {name: column.copy() for name, column in some(table, which).items()}
    copies["key"][:, 0] ^= mark
    return copies


def _plus(table: Columns, more: Columns) -> Columns:
    return {name: np.concatenate([column, more[name]]) for name, column in table.items()}


def _twice(table: Columns, dice: np.random.Generator, share: float) -> Columns:
    """Entered again by hand, without the times of the phone."""
    copies = _fresh(table, (dice.random(len(table["day"])) < share) & ~table["is_wrong"], 0x55)
    copies["is_again"][:] = True
    return _plus(table, copies)


def _edited(table: Columns, dice: np.random.Generator, share: float) -> Columns:
    """Corrected on the phone: what was said first came under the old key, which the later one names."""
    which = (dice.random(len(table["day"])) < share) & ~table["is_wrong"] & ~table["is_again"]
    firsts = _fresh(table, which, 0xAA)
    firsts["counted"] += 10
    table["edits"][which] = firsts["key"]
    return _plus(table, firsts)


def _codes(sent: Sent) -> NDArray[Any]:
    """Codes of the groups kept, from serial 1 in each year of opening; "" where a group is not kept."""
    crop = sent.nursery.crop
    codes = np.full(len(crop), "", dtype=object)
    kept = np.flatnonzero(crop.family < sent.families)
    years = (np.datetime64(FIRST) + crop.opened[kept]).astype("datetime64[Y]").astype(int) + 1970
    for year in np.unique(years):
        of_year = kept[years == year]
        codes[of_year] = group_code.issue(int(year), 1, len(of_year))
    return codes
