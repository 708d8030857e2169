"""The answers of an invented nursery's submissions as they stand in a file, by question name."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from formpack import group_code
from tests.bench.crop import Columns, Ints
from tests.bench.submissions import Sent, some
from tests.bench.trade import BATCH_DAYS, FIRST, PLACES, ROOTSTOCKS, SCIONS, STAFF, STAGES, TEAMS, TODAY, day

Texts = NDArray[Any]
DATES = np.array([(FIRST + dt.timedelta(days=n)).isoformat() for n in range(day(TODAY) + 40)], dtype=object)
OFFSETS = np.array(["+02:00" if 3 < int(d[5:7]) < 11 else "+01:00" for d in DATES], dtype=object)
TIMES = np.array([f"T{n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}" for n in range(86_400)], dtype=object)
TENTHS = np.array([f"{n / 10:.1f}" for n in range(400)], dtype=object)
BUYERS = np.array(["Alder Grove Farm", "Casa Bonvento", "Fazenda Três Sinos", "Hill & Hollow", "Finca La Garza"], dtype=object)


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
    table = some(table, np.lexsort((table["second"], table["day"])))
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
        "start": np.where(table["is_again"], "", start),
        "end": np.where(table["is_again"], "", end),
        "deviceid": np.array([f"phone-{n + 1}" for n in range(9)], dtype=object)[table["staff"] % 9],
        "visit_date": DATES[on],
        "staff_code": STAFF[table["staff"]],
        "code_scanned": np.where(typed, "", codes),
        "code_typed": np.where(typed, shown, ""),
        "group_code": codes,
        "known": np.where(table["list_day"] < 0, "no", "yes"),
        "list_date": _or_blank(DATES, table["list_day"]),
        "shown_stage": _or_blank(STAGES, table["shown_stage"]),
        "shown_count": table["shown_count"],
    }
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


_UNASKED = {
    "group",
    "family",
    "day",
    "second",
    "took",
    "staff",
    "typed",
    "list_day",
    "shown_stage",
    "shown_count",
    "key",
    "edits",
    "is_again",
    "is_wrong",
    "scion",
}


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
        refs = np.array([order_code(*o) for o in orders(table)], dtype=object)
        return {"order_ref": refs, "consignee": BUYERS[column % len(BUYERS)]}
    return {raw: column}
