"""The submissions of an invented nursery as phones would send them: cut to the number asked for, with the faults of real life,
and each answer as it stands in a file."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from formpack import group_code
from tests.bench.lives import Columns, Ints, Nursery, planted, raised
from tests.bench.trade import BATCH_DAYS, COUNTED, FIRST, PLACES, ROOTSTOCKS, SCIONS, STAFF, STAGES, TEAMS, TODAY, day

DATES = np.array([(FIRST + dt.timedelta(days=n)).isoformat() for n in range(day(TODAY) + 40)], dtype=object)
OFFSETS = np.array(["+02:00" if 3 < int(d[5:7]) < 11 else "+01:00" for d in DATES], dtype=object)
TIMES = np.array([f"T{n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}" for n in range(86_400)], dtype=object)
TENTHS = np.array([f"{n / 10:.1f}" for n in range(400)], dtype=object)
BUYERS = np.array(["Alder Grove Farm", "Casa Bonvento", "Fazenda Três Sinos", "Hill & Hollow", "Finca La Garza"], dtype=object)
FAULTS = {"code": 0.003, "double": 0.003, "edit": 0.005, "counted": 0.002, "planted": 0.001}
"""How often a submission of a form that it can befall has each fault: half a percent of all, together."""

Texts = NDArray[Any]


@dataclass
class Sent:
    """Submissions as raw columns by form, and the code of every group that they speak of."""

    nursery: Nursery
    tables: dict[str, Columns]
    families: int
    codes: NDArray[Any] = field(default_factory=lambda: np.zeros(0, dtype=object))

    def __len__(self) -> int:
        return sum(len(t["day"]) for t in self.tables.values())


def some_years(submissions: int, years: int, seed: int) -> Sent:
    """Exactly so many submissions: of whole families of groups, the last one as far as it fits."""
    nursery = raised(max(5, round(submissions / 18)), years, seed)
    return _cut(nursery, _spoiled(_joined(nursery), nursery.dice), submissions)


def many_counts(counts: int, seed: int) -> Sent:
    """Exactly so many stock counts, and the openings of their groups."""
    nursery = planted(max(5, round(counts / 30)), 8, seed)
    nursery.live(np.arange(len(nursery.crop)), COUNTED)
    tables = _spoiled(_joined(nursery), nursery.dice)
    sent = _cut(nursery, {"stock_count": tables["stock_count"]}, counts)
    sent.tables["open_group"] = _some(tables["open_group"], tables["open_group"]["family"] < sent.families)
    return sent


def _cut(nursery: Nursery, tables: dict[str, Columns], submissions: int) -> Sent:
    family, days = (np.concatenate([t[name] for t in tables.values()]) for name in ("family", "day"))
    if len(family) < submissions:
        raise ValueError(f"the groups give only {len(family)} submissions, not {submissions}")
    is_kept = np.zeros(len(family), bool)
    is_kept[np.lexsort((days, family))[:submissions]] = True
    bounds = np.cumsum([len(t["day"]) for t in tables.values()])[:-1]
    tables = {f: _some(t, k) for (f, t), k in zip(tables.items(), np.split(is_kept, bounds), strict=True)}
    sent = Sent(nursery, tables, int(family[is_kept].max()) + 1)
    sent.codes = _codes(sent)
    return sent


def some_more(before: Sent, submissions: int) -> Sent:
    """So many more of the next working day, in some hundreds of the groups that stand, and in a few new ones."""
    nursery, dice = before.nursery, before.nursery.dice
    crop, nursery.sent, nursery.until = nursery.crop, {}, day(TODAY)
    standing = (crop.family < before.families) & (crop.stands > 50) & (before.codes != "")
    often = dice.permutation(np.flatnonzero(standing))[: max(1, round(submissions * 0.6))]

    def pick(share: float, stages: tuple[int, ...], rested: int = 0) -> Ints:
        fit = np.isin(crop.stage[often], stages) & (crop.clock[often] <= nursery.until - rested)
        return dice.permutation(often[fit])[: round(submissions * share)]

    for name, share, stages, rested, back in (
        ("cull", 0.08, (0, 1), 10, 1), ("bud", 0.04, (1,), 20, 1), ("cut", 0.05, (3,), 5, 1), ("take", 0.06, (2,), 11, 1),
        ("ship", 0.03, (6,), 20, 0), ("relocate", 0.1, tuple(range(7)), 0, 0), ("loss", 0.3, tuple(range(7)), 0, 0),
        ("stock", 0.6, tuple(range(7)), 0, 0),
    ):  # fmt: skip
        g = pick(share, stages, rested)
        crop.clock[g] = nursery.until - back
        nursery.fade(g, 10)
        getattr(nursery, name)(g)
    tables = _spoiled(_joined(nursery), dice)
    sizes = [len(t["day"]) for t in tables.values()]
    # stock counts stand last and are cut to the number asked for; they are more than enough
    is_kept = [np.ones(n, bool) for n in sizes]
    form_ids = list(tables)
    surplus = sum(sizes) - submissions
    counts = is_kept[form_ids.index("stock_count")]
    if not 0 <= surplus <= len(counts):
        raise ValueError(f"{len(often)} standing groups give {sum(sizes)} submissions, not {submissions}")
    counts[len(counts) - surplus :] = False
    return Sent(nursery, {f: _some(tables[f], k) for f, k in zip(form_ids, is_kept, strict=True)}, before.families, before.codes)


def _joined(nursery: Nursery) -> dict[str, Columns]:
    return {form: {name: np.concatenate([p[name] for p in parts]) for name in parts[0]} for form, parts in nursery.sent.items()}


def _some(table: Columns, which: NDArray[Any]) -> Columns:
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
    copies = {name: column.copy() for name, column in _some(table, which).items()}
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
    years = np.array([int(d[:4]) for d in DATES])[crop.opened[kept]]
    for year in np.unique(years):
        of_year = kept[years == year]
        codes[of_year] = group_code.issue(int(year), 1, len(of_year))
    return codes


def _identities(keys: NDArray[Any]) -> Texts:
    text = keys.tobytes().hex()
    found = (text[i : i + 32] for i in range(0, len(text), 32))
    return np.array([f"uuid:{k[:8]}-{k[8:12]}-{k[12:16]}-{k[16:20]}-{k[20:]}" for k in found], dtype=object)


def _wrong(code: str) -> str:
    return code[:4] + str((int(code[4]) + 3) % 10) + code[5:]


def _or_blank(texts: Texts, at: Ints) -> Texts:
    return np.where(at < 0, "", texts[np.maximum(at, 0)])


def as_written(sent: Sent, form_id: str) -> Columns:
    """The answers of a form by question name, in order of time; whole numbers stay numbers, -1 and "" are no answer."""
    table = sent.tables[form_id]
    table = _some(table, np.lexsort((table["second"], table["day"])))
    on, codes = table["day"], sent.codes[table["group"]]
    codes = np.where(table["is_wrong"], [_wrong(c) for c in codes], codes)
    typed = table["typed"] | table["is_wrong"]
    shown = np.array([group_code.shown(c) for c in codes], dtype=object)
    ends = table["second"] + table["took"] // 1000
    ms = np.array([f".{n:03d}" for n in range(1000)], dtype=object)
    start = DATES[on] + TIMES[table["second"]] + ms[table["took"] % 997] + OFFSETS[on]
    end = DATES[on] + TIMES[ends] + ms[table["took"] % 1000] + OFFSETS[on]
    written: Columns = {
        "KEY": _identities(table["key"]),
        "deprecatedID": np.where(table["edits"].any(axis=1), _identities(table["edits"]), ""),
        "start": np.where(table["is_again"], "", start), "end": np.where(table["is_again"], "", end),
        "deviceid": np.array([f"phone-{n + 1}" for n in range(9)], dtype=object)[table["staff"] % 9],
        "visit_date": DATES[on], "staff_code": STAFF[table["staff"]],
        "code_scanned": np.where(typed, "", codes), "code_typed": np.where(typed, shown, ""), "group_code": codes,
        "known": np.where(table["list_day"] < 0, "no", "yes"), "list_date": _or_blank(DATES, table["list_day"]),
        "shown_stage": _or_blank(STAGES, table["shown_stage"]), "shown_count": table["shown_count"],
    }  # fmt: skip
    return written | {name: column for raw in table for name, column in _answer(sent, table, raw).items()}


def seed_lots(table: Columns) -> list[tuple[int, str]]:
    """(rootstock, month of sowing) of each submission that opens a group."""
    return [(r, DATES[d][:7]) for r, d in zip(table["rootstock"].tolist(), table["sown"].tolist(), strict=True)]


def orders(table: Columns) -> list[tuple[int, str]]:
    """(rootstock and scion, month) of each submission that despatches."""
    return [(p, DATES[d][:7]) for p, d in zip(table["order"].tolist(), table["day"].tolist(), strict=True)]


def lot_code(rootstock: int, month: str) -> str:
    return f"L{month[2:4]}{month[5:7]}-{str(ROOTSTOCKS[rootstock])[:4]}"


def batch_code(scion: int, period: int) -> str:
    return f"B{DATES[period * BATCH_DAYS - 1].replace('-', '')[2:]}-{str(SCIONS[scion])[:3]}"


def order_code(pair: int, month: str) -> str:
    return f"O{month[2:4]}{month[5:7]}-{pair:02d}"


_UNASKED = {"group", "family", "day", "second", "took", "staff", "typed", "list_day", "shown_stage", "shown_count", "key", "edits",
            "is_again", "is_wrong", "scion"}  # fmt: skip


def _answer(sent: Sent, table: Columns, raw: str) -> Columns:
    """The answers that a raw column stands for."""
    column = table[raw]
    if raw in _UNASKED:
        return {}
    if raw == "place":
        return {"location": _or_blank(PLACES, column)}
    if raw.endswith("_tenths"):
        name = {"height": "height_cm", "stub": "stub_cm", "stem": "stem_mm"}[raw.removesuffix("_tenths")]
        return {name: _or_blank(TENTHS, column)}
    if raw == "team":
        return {"team_code": TEAMS[column]}
    if raw == "batch":
        codes = [batch_code(s, p) for s, p in zip(table["scion"].tolist(), column.tolist(), strict=True)]
        return {"scion": SCIONS[table["scion"]], "budwood_batch": np.array(codes, dtype=object)}
    if raw == "rootstock":
        lots = np.array([lot_code(*lot) for lot in seed_lots(table)], dtype=object)
        return {"seed_lot": lots, "rootstock": ROOTSTOCKS[column]}
    if raw == "sown":
        return {"sow_date": DATES[column]}
    if raw == "to_group":
        return {"to_scanned": sent.codes[column], "to_group": sent.codes[column]}
    if raw == "order":
        codes = np.array([order_code(*o) for o in orders(table)], dtype=object)
        return {"order_ref": codes, "consignee": BUYERS[column % len(BUYERS)]}
    return {raw: column}
