"""One list of a workspace as a person keeps it: its rows, and every fault with its place and a way out.

A fault in a list is no end of everything: rows that can be used are used, and what is wrong is said as a finding.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from formpack.headings import folded
from formpack.readers import READERS, Unreadable

REFERENCES: dict[tuple[str, str], str] = {
    ("teams", "budder"): "staff",
    ("teams", "wrapper"): "staff",
    ("seed_lots", "rootstock"): "rootstocks",
    ("budwood_batches", "scion"): "scions",
    ("orders", "scion"): "scions",
    ("orders", "rootstock"): "rootstocks",
    ("compatibility", "rootstock"): "rootstocks",
    ("compatibility", "scion"): "scions",
}
"""(list, column) -> the list whose codes stand there. What places are part of is looked at by itself (`place_faults`)."""
KINDS: dict[tuple[str, str], str] = {
    ("seed_lots", "received"): "date",
    ("budwood_batches", "cut_on"): "date",
    ("budwood_batches", "buds"): "integer",
    ("orders", "quantity"): "integer",
    ("orders", "wanted_on"): "date",
    ("rootstocks", "off_type_low"): "decimal",
    ("rootstocks", "off_type_high"): "decimal",
}
_MAY_LACK = {"active", "part_of", "label"}
_NO, _YES = {"no", "n", "nao", "false", "0"}, {"yes", "y", "si", "s", "sim", "true", "1", ""}

Row = dict[str, str]
Fault = tuple[str, str]
"""Where (`lists/teams.csv, row 3`), and what is wrong there."""


@dataclass(frozen=True)
class ListRead:
    """What was read of a list: rows that can be used, with their numbers in the file; `broken` says why none can be."""

    name: str
    rows: list[Row] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    broken: str = ""

    @property
    def active(self) -> list[Row]:
        """The rows that are offered on phones."""
        return [row for row in self.rows if is_active(row)]


def is_active(row: Mapping[str, str]) -> bool:
    """Whether a row is offered on phones: unless its column `active` says no."""
    return folded(row.get("active", "")) not in _NO


def read_list(path: Path, columns: Sequence[str]) -> ListRead:
    """The list in a file; `columns` are those that the program reads, `code` among them where codes are its key."""
    name, place = path.stem, f"lists/{path.name}"

    def broken(why: str) -> ListRead:
        return ListRead(name, broken=f"{place} {why}")

    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        return broken("is missing; `formpack init` in this folder puts an empty one there.")
    except UnicodeDecodeError:
        return broken("is not UTF-8; save it as CSV UTF-8.")
    head_line = text.lstrip("\r\n").split("\n", 1)[0]
    mark = ";" if head_line.count(";") > head_line.count(",") else ","
    try:
        lines = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=mark)
        rows = [(lines.line_num, cells) for cells in lines if any(c.strip() for c in cells)]
    except csv.Error as wrong:
        return broken(f"cannot be read: {wrong}.")
    if not rows:
        return ListRead(name)
    head, faults = _headings(place, rows[0][1], columns)
    for column in ("code",) if "code" in columns else ("rootstock", "scion"):
        if head.count(column) != 1:
            said = "has no column" if column not in head else "has more than one column"
            return broken(f"{said} {column}; its columns are {', '.join(h for h in head if h)}.")
    return _usable(name, place, head, rows[1:], faults)


def _headings(place: str, cells: Sequence[str], columns: Sequence[str]) -> tuple[list[str], list[Fault]]:
    """The names of the columns, in the program's spelling, and what is odd about them."""
    spelled = {folded(c): c for c in columns}
    head = [c.strip() for c in cells]
    plain = [h if h in columns else spelled.get(folded(h), h) for h in head]
    head = [p if plain.count(p) == 1 else h for p, h in zip(plain, head, strict=True)]
    missing, strange = [c for c in columns if c not in head], [h for h in head if h and h not in columns]
    lacks = f"it has no column {', '.join(m for m in missing if m not in _MAY_LACK)}"
    if strange and set(missing) - _MAY_LACK:
        return head, [(place, f"{lacks}, and nothing reads its column {', '.join(strange)}; is one the other?")]
    return head, [(place, lacks)] if {"rootstock", "scion"} & set(missing) else []


def _usable(name: str, place: str, head: list[str], lines: list[tuple[int, list[str]]], faults: list[Fault]) -> ListRead:
    rows: list[Row] = []
    numbers: list[int] = []
    codes: set[str] = set()
    seen: dict[str, str] = {}
    for number, cells in lines:
        where = f"{place}, row {number}"
        if len(cells) != len(head):
            faults.append((where, "not as many cells as the header has; the row is not used"))
            continue
        row = {h: c.strip() for h, c in zip(head, cells, strict=True) if h}
        code = row.get("code")
        if code is not None:
            if not code or re.search(r"\s", code):
                faults.append((where, f"{code!r} is not a code (one word); the row is not used"))
                continue
            if code in codes:
                faults.append((where, f"the code {code!r} stands twice; the first row with it is used"))
                continue
            if folded(code) in seen:
                faults.append((where, f"{code} stands beside {seen[folded(code)]}; if they are one, keep one of the two"))
            seen.setdefault(folded(code), code)
            codes.add(code)
        if folded(row.get("active", "")) not in _NO | _YES:
            faults.append((where, f"active is {row['active']!r}; write yes or no. Until then it counts as yes"))
        rows.append(row)
        numbers.append(number)
    return ListRead(name, rows, numbers, faults)


def cell_faults(found: ListRead, codes: Mapping[str, Collection[str]]) -> Iterator[Fault]:
    """What single cells of a list say wrongly: days and numbers, and codes of other lists that are not there. `codes` holds
    the known codes of each list. What many rows say alike is said once."""
    wrong: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for number, row in zip(found.numbers, found.rows, strict=True):
        for column, text in row.items():
            if not text:
                continue
            kind, other = KINDS.get((found.name, column)), REFERENCES.get((found.name, column))
            if kind is not None and isinstance(value := READERS[kind](text), Unreadable):
                wrong[column, text, value.why].append(number)
            if other is not None and text not in codes.get(other, ()):
                near = next((c for c in sorted(codes.get(other, ())) if folded(c) == folded(text)), "")
                hint = f"; {near} is" if near else ""
                wrong[column, text, f"is not in lists/{other}.csv{hint}"].append(number)
    for (column, text, why), numbers in wrong.items():
        yield f"lists/{found.name}.csv, {_rows(numbers)}", f"{column}: {text} {why}"


def _rows(numbers: Sequence[int]) -> str:
    shown = ", ".join(map(str, numbers[:5])) + (f" and {len(numbers) - 5} more" if len(numbers) > 5 else "")
    return f"row{'s' if len(numbers) > 1 else ''} {shown}"


@dataclass(frozen=True)
class Known:
    """A code that a list has, or once had: its row as it last stood."""

    list_name: str
    code: str
    row: Row
    inactive_since: dt.date | None = None
    """The day on which the row was first seen with `active` no, or gone; None while it is offered."""
    is_listed: bool = True


def merged(found: ListRead, before: Iterable[Known], day: dt.date) -> list[Known]:
    """The codes of a list, those of the file in its order, then those once known. A list that cannot be read is as it was."""
    old = {k.code: k for k in before}
    if found.broken:
        return list(old.values())
    now: list[Known] = []
    for row in found.rows:
        was = old.pop(row["code"], None)
        lapsed = None if is_active(row) else (was and was.inactive_since) or day
        now.append(Known(found.name, row["code"], row, lapsed))
    gone = [Known(k.list_name, k.code, k.row, k.inactive_since or day, is_listed=False) for k in old.values()]
    return now + sorted(gone, key=lambda k: k.code)
