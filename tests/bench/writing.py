"""An invented nursery on disk: its lists and settings, and its submissions as one archive of XML instances, as XML files, or
as one CSV table a form. The same submissions give the same bytes."""

from __future__ import annotations

import csv
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import pyarrow as pa
import pyarrow.csv

from formpack.catalog import Form, load_forms
from tests.bench.answers import BUYERS, DATES, as_written, batch_code, lot_code, order_code, orders, seed_lots
from tests.bench.crop import Columns
from tests.bench.submissions import Sent
from tests.bench.trade import BATCH_DAYS, END, FIRST, PLACES, ROOTSTOCKS, SCIONS, STAFF, TEAMS, TODAY

ROWS_A_FILE = 200_000
"""A table is parted so that no file is larger than the 64 MB that the office takes."""
ROOT = Path(__file__).resolve().parents[2]


def instances(form: Form, written: Columns) -> list[tuple[str, str, str]]:
    """(time, identity, XML instance) of each submission, nested as the form's groups are."""
    parts: list[list[str] | str] = [f"<data id={quoteattr(form.form_id)} version={quoteattr(form.version)}>\n"]
    opened: list[str] = []
    for row in form.rows:
        base, name = row["type"].split()[0], row["name"]
        if base == "begin_group":
            opened.append(name)
            parts.append(f"<{name}>\n")
        elif base == "end_group":
            parts.append(f"</{opened.pop()}>\n")
        elif name in written:
            parts.append(_elements(name, written[name].tolist()))
    parts += [
        _elements("instanceID", written["KEY"].tolist(), "<meta>"),
        _elements("deprecatedID", written["deprecatedID"].tolist()),
    ]
    many = len(written["KEY"])
    whole = zip(*([p] * many if isinstance(p, str) else p for p in parts), strict=True)
    texts = ("".join(pieces) + "</meta></data>\n" for pieces in whole)
    times = (e or d for d, e in zip(written["visit_date"].tolist(), written["end"].tolist(), strict=True))
    return list(zip(times, written["KEY"].tolist(), texts, strict=True))


def _elements(name: str, answers: list[str | int], before: str = "") -> list[str]:
    return [
        "" if a == "" or a == -1 else f"{before}<{name}>{escape(a) if isinstance(a, str) else a}</{name}>\n" for a in answers
    ]


def in_order(sent: Sent) -> Iterator[tuple[str, str]]:
    """(name of file, XML instance) of all submissions in the order in which the phones saved them."""
    forms = load_forms()
    everything = [i for form_id in sent.tables for i in instances(forms[form_id], as_written(sent, form_id))]
    everything.sort(key=lambda i: i[:2])
    return ((f"{time[:7]}/{key[5:18]}.xml", text) for time, key, text in everything)


def write_archive(sent: Sent, path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in in_order(sent):
            member = zipfile.ZipInfo(name, (2026, 11, 2, 6, 0, 0))
            member.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(member, text)


def write_files(sent: Sent, folder: Path) -> None:
    for name, text in in_order(sent):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")


def write_tables(sent: Sent, folder: Path) -> None:
    """FORM-1.csv, FORM-2.csv ...: columns are named as the questions are, and KEY is the identity."""
    folder.mkdir(parents=True, exist_ok=True)
    options = pyarrow.csv.WriteOptions(quoting_style="needed")
    for form_id in sent.tables:
        columns = {name: _arrow(column) for name, column in as_written(sent, form_id).items()}
        table = pa.table(columns)
        for number, start in enumerate(range(0, table.num_rows, ROWS_A_FILE), start=1):
            pyarrow.csv.write_csv(table.slice(start, ROWS_A_FILE), folder / f"{form_id}-{number}.csv", options)


def _arrow(column: np.ndarray) -> pa.Array:
    if column.dtype.kind == "i":
        return pa.array(column, mask=column < 0)
    texts = column.astype(object)
    return pa.array(texts, pa.string(), mask=(texts == "").astype(bool))


def _write_list(folder: Path, name: str, head: str, rows: list[tuple[object, ...]]) -> None:
    with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(head.split())
        table.writerows(rows)


def write_nursery(sent: Sent, folder: Path, name: str = "An invented nursery to measure by") -> None:
    """nursery.toml and lists/, with every lot, batch and order that the submissions name."""
    lists, ways = folder / "lists", sent.nursery.ways
    grown = ways.grown()
    lists.mkdir(parents=True, exist_ok=True)
    (folder / "nursery.toml").write_text(f'name = "{name}"\ntoday = {TODAY}\n', encoding="utf-8")
    _write_list(lists, "staff", "code label active", [(s, f"Person {s[1:]}", "yes") for s in STAFF[: ways.staff]])
    _write_list(
        lists,
        "teams",
        "code label budder wrapper active",
        [(t, f"Team {t[1:]}", STAFF[2 * n], STAFF[2 * n + 1], "yes") for n, t in enumerate(TEAMS[: len(ways.team_take)])],
    )
    _write_list(lists, "locations", "code label", [(p, f"{'House' if p[0] == 'H' else 'Yard'} {int(p[1:])}") for p in PLACES])
    months = {DATES[(TODAY - FIRST).days - back][:7] for back in range(80, 100)}
    lots = sorted(set(seed_lots(sent.tables["open_group"])) | {(p // len(SCIONS), m) for p in grown for m in months})
    _write_list(
        lists,
        "seed_lots",
        "code label rootstock supplier received treated",
        [(lot_code(r, m), f"{ROOTSTOCKS[r].title()} {m}", ROOTSTOCKS[r], "Ridge Seeds", f"{m}-01", "yes") for r, m in lots],
    )
    first = np.concatenate([t["day"] for t in sent.tables.values()]).min()
    periods = range(first // BATCH_DAYS, (TODAY - FIRST).days // BATCH_DAYS + 1)
    _write_list(
        lists,
        "budwood_batches",
        "code label scion source_block source_tree cut_on authorisation buds",
        [
            (
                batch_code(s, p),
                f"{SCIONS[s].title()} cut {DATES[p * BATCH_DAYS - 1]}",
                SCIONS[s],
                f"Block {'ABC'[s % 3]}",
                f"M{p % 60:03d}",
                DATES[p * BATCH_DAYS - 1],
                f"N-{p}-{s}",
                4000,
            )
            for s in sorted({p % len(SCIONS) for p in grown})
            for p in periods
        ],
    )
    known = set(orders(sent.tables["despatch"])) if "despatch" in sent.tables else set()
    ahead = {(pair, f"{END.year + 1}-{month:02d}") for pair in grown[::2] for month in (2, 5, 8)}
    today = {(pair, f"{TODAY:%Y-%m}") for pair in grown}
    _write_list(
        lists,
        "orders",
        "code label consignee scion rootstock quantity wanted_on",
        [
            (
                order_code(p, m),
                f"{order_code(p, m)} {BUYERS[p % len(BUYERS)]}",
                BUYERS[p % len(BUYERS)],
                SCIONS[p % len(SCIONS)],
                ROOTSTOCKS[p // len(SCIONS)],
                ways.ordered,
                f"{m}-20",
            )
            for p, m in sorted(known | ahead | today)
        ],
    )
    for same in ("rootstocks", "scions", "compatibility"):
        shutil.copy(ROOT / "forms" / "lists" / f"{same}.csv", lists / f"{same}.csv")
