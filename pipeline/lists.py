"""One list of a workspace as a person keeps it: its rows, and every fault with its place and a way out.

A fault in a list is no end of everything: rows that can be used are used, and what is wrong is said as a finding. Days and
numbers are read by the strict readers of submissions, here and nowhere else; one that cannot be read is empty for the program.
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
from formpack.readers import MISSING, READERS, Unreadable, Value, has_control, text_of
from formpack.words import marked, pack, tr

REFERENCES: dict[tuple[str, str], str] = {
    ("locations", "looked_after_by"): "staff",
    ("staff", "works_in"): "locations",
    ("teams", "budder"): "staff",
    ("teams", "wrapper"): "staff",
    ("seed_lots", "rootstock"): "rootstocks",
    ("budwood_batches", "scion"): "scions",
    ("orders", "scion"): "scions",
    ("orders", "rootstock"): "rootstocks",
    ("limits", "place"): "locations",
    ("compatibility", "rootstock"): "rootstocks",
    ("compatibility", "scion"): "scions",
}
"""(list, column) -> the list whose codes stand there. What places are part of is looked at by itself (`place_faults`)."""
_SEVERAL = {("staff", "works_in")}
"""Where several codes may stand, parted by spaces."""
KINDS: dict[tuple[str, str], str] = {
    ("seed_lots", "received"): "date",
    ("budwood_batches", "cut_on"): "date",
    ("budwood_batches", "buds"): "integer",
    ("orders", "quantity"): "integer",
    ("orders", "wanted_on"): "date",
    ("seed_lots", "seeds_per_litre"): "decimal",
    ("rootstocks", "off_type_low"): "decimal",
    ("rootstocks", "off_type_high"): "decimal",
    ("products", "reentry_hours"): "decimal",
    ("limits", "low"): "decimal",
    ("limits", "high"): "decimal",
}
_LIMITS: dict[tuple[str, str], tuple[float, float, str]] = {
    ("budwood_batches", "buds"): (0, 10_000_000, marked("is no number of buds; write a whole number from {least} to {most}")),
    ("orders", "quantity"): (
        *(1, 10_000_000),
        marked("is no number of trees; write a whole number from {least} to {most}, and active = no where the order is closed"),
    ),
    ("products", "reentry_hours"): (
        0,
        9600,
        marked("is no number of hours; write what the label says, from {least} to {most}"),
    ),
    ("seed_lots", "seeds_per_litre"): (
        *(1, 1_000_000),
        marked("is no number of seeds in a litre; write it from {least} to {most}, or leave it empty"),
    ),
    **dict.fromkeys(
        (("rootstocks", "off_type_low"), ("rootstocks", "off_type_high")),
        (0, 1, marked("is no share of the seedlings; write it from {least} to {most}, such as 0.05 for 5 in 100")),
    ),
}
"""(list, column) -> the least, the most, and what is said of what is less or more."""
MEASURED = ("temperature", "humidity", "light", "ec", "ph", "drain_ec", "drain_ph")
"""What lists/limits.csv may set limits for, beside what forms of the nursery's own measure; their order is that of the words
that phones look up (`field.phone`)."""
_ENDS = (("off_type_low", "off_type_high"), ("low", "high"))
"""Columns of which the first may not be above the second."""
NO_LIST = pack("is missing; `formpack init` in this folder puts an empty one there")
"""What is said of a list that is not there, packed."""
LONGEST_CODE, LONGEST_CELL = 60, 1000
_MAY_LACK = {"active", "place", "part_of", "label", "looked_after_by", "works_in", "botanical_name", "seeds_per_litre"}
_NO, _YES = {"no", "n", "nao", "false", "0"}, {"yes", "y", "si", "s", "sim", "true", "1", ""}

Row = dict[str, str]
Fault = tuple[str, str]
"""Where (`lists/teams.csv, row 3`), and what is wrong there, packed."""


@dataclass(frozen=True)
class ListRead:
    """What was read of a list: rows that can be used, with their numbers in the file; `broken` says why none can be,
    packed, to be said after the name of the file."""

    name: str
    rows: list[Row] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    broken: str = ""

    @property
    def file(self) -> str:
        return f"lists/{self.name}.csv"

    @property
    def refusal(self) -> str:
        """Why none of its rows can be used, as a sentence."""
        return tr("{file} {why}.", file=self.file, why=self.broken)

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
        return ListRead(name, broken=why)

    text = text_of(path)
    if isinstance(text, Unreadable):
        is_missing = text.why == MISSING
        return broken(NO_LIST if is_missing else text.why)
    head_line = re.split(r"[\r\n]", text.lstrip("\r\n"), maxsplit=1)[0]
    mark = ";" if head_line.count(";") > head_line.count(",") else ","
    lines = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=mark)
    try:
        rows = [(lines.line_num, cells) for cells in lines if any(c.strip() for c in cells)]
    except csv.Error as wrong:
        said = marked("cannot be read ({why}); look at the quotation marks in row {row} and before it")
        return broken(pack(said, why=wrong, row=lines.line_num))
    if not rows:
        return ListRead(name)
    head, faults = _headings(place, rows[0][1], columns)
    for column in ("code",) if "code" in columns else ("rootstock", "scion"):
        if head.count(column) != 1:
            none = marked("has no column {column}; its columns are {columns}")
            said = none if column not in head else marked("has more than one column {column}; its columns are {columns}")
            return broken(pack(said, column=column, columns=", ".join(map(_plain, filter(None, head)))))
    return _usable(name, place, head, rows[1:], faults)


def _headings(place: str, cells: Sequence[str], columns: Sequence[str]) -> tuple[list[str], list[Fault]]:
    """The names of the columns, in the program's spelling, and what is odd about them."""
    spelled = {folded(c): c for c in columns}
    head = [c.strip() for c in cells]
    plain = [h if h in columns else spelled.get(folded(h), h) for h in head]
    head = [p if plain.count(p) == 1 else h for p, h in zip(plain, head, strict=True)]
    missing, strange = [c for c in columns if c not in head], [_plain(h) for h in head if h and h not in columns]
    lacking = ", ".join(m for m in missing if m not in _MAY_LACK)
    faults = [
        (place, pack("it has more than one column {column}; the last is read", column=_plain(h)))
        for h in dict.fromkeys(head)
        if h and head.count(h) > 1
    ]
    if strange and set(missing) - _MAY_LACK:
        said = marked("it has no column {column}, and nothing reads its column {other}; is one the other?")
        faults.append((place, pack(said, column=lacking, other=", ".join(strange))))
    elif {"rootstock", "scion"} & set(missing):
        faults.append((place, pack("it has no column {column}", column=lacking)))
    return head, faults


def _plain(text: str) -> str:
    """A text with spaces for what no person types."""
    return "".join(" " if has_control(c) else c for c in text) if has_control(text) else text


def _row_fault(row: Row) -> str:
    """Why a row cannot be used; '' where it can."""
    code = row.get("code")
    if code is None and not (row["rootstock"] and row["scion"]):
        return pack("it lacks a rootstock or a scion; the row is not used")
    if code is not None and (not code or re.search(r"\s", code) or not code.isprintable()):
        said = marked("{code} is not a code (one word without hidden characters); the row is not used")
        return pack(said, code=repr(code[:LONGEST_CODE]))
    if code is not None and len(code) > LONGEST_CODE:
        said = marked("the code {code}... has {n} letters, more than {most}; the row is not used")
        return pack(said, code=code[:20], n=len(code), most=LONGEST_CODE)
    column = next((c for c, text in row.items() if len(text) > LONGEST_CELL), "")
    said = marked("its {column} has {n} letters, more than {most}; the row is not used")
    return pack(said, column=_plain(column), n=len(row[column]), most=LONGEST_CELL) if column else ""


def _usable(name: str, place: str, head: list[str], lines: list[tuple[int, list[str]]], faults: list[Fault]) -> ListRead:
    rows: list[Row] = []
    numbers: list[int] = []
    keys: set[str] = set()
    seen: dict[str, str] = {}
    odd: dict[str, list[int]] = defaultdict(list)
    for number, cells in lines:
        where = f"{place}, row {number}"
        if len(cells) != len(head):
            faults.append((where, pack("not as many cells as the header has; the row is not used")))
            continue
        row = {h: c.strip() for h, c in zip(head, cells, strict=True) if h}
        if fault := _row_fault(row):
            faults.append((where, fault))
            continue
        for column in [c for c, text in row.items() if has_control(text)]:
            odd[column].append(number)
            row[column] = _plain(row[column])
        code = row.get("code", "")
        key = code or f"{row['rootstock']} + {row['scion']}"
        if key in keys:
            pair = marked("the pair {code} stands twice; the first row with it is used")
            said = marked("the code {code} stands twice; the first row with it is used") if code else pair
            faults.append((where, pack(said, code=repr(code) if code else key)))
            continue
        keys.add(key)
        if code and folded(code) in seen:
            said = marked("{code} stands beside {other}; if they are one, keep one of the two")
            faults.append((where, pack(said, code=code, other=seen[folded(code)])))
        seen.setdefault(folded(code), code)
        if code.startswith(("=", "+", "-", "@")):
            said = marked(
                "the code {code} begins as a formula does, and a spreadsheet may change it when it saves the list; give it"
                " another code"
            )
            faults.append((where, pack(said, code=code)))
        if folded(row.get("active", "")) not in _NO | _YES:
            said = marked("active is {text}; write yes or no. Until then it counts as yes")
            faults.append((where, pack(said, text=repr(row["active"]))))
        rows.append(row)
        numbers.append(number)
    for column, some in odd.items():
        said = marked("{column} holds a control character, or the end of a line; a space is read for it")
        faults.append((f"{place}, {_rows(some)}", pack(said, column=_plain(column))))
    return ListRead(name, rows, numbers, faults)


def typed(list_name: str, row: Mapping[str, str]) -> dict[str, Value | Unreadable]:
    """The days and numbers of a row that are not empty, each as its kind, or what is wrong with it."""
    found: dict[str, Value | Unreadable] = {}
    for column, text in row.items():
        if text and (kind := KINDS.get((list_name, column))):
            value = READERS[kind](text)
            least, most, why = _LIMITS.get((list_name, column), (0, 0, ""))
            is_out = why and isinstance(value, int | float) and not least <= value <= most
            found[column] = Unreadable("impossible_value", pack(why, least=least, most=most)) if is_out else value
    for lower, upper in _ENDS:
        low, high = found.get(lower), found.get(upper)
        if isinstance(low, float) and isinstance(high, float) and low > high:
            why = pack("is above {column}, {high}", column=upper, high=row[upper])
            found[lower] = Unreadable("impossible_value", why)
    return found


def _limit_faults(found: ListRead) -> Iterator[Fault]:
    """What is wrong with whole lines of limits: one that sets none, and a second one for the same thing at the same place."""
    first: dict[tuple[str, str], str] = {}
    for number, row in sorted(zip(found.numbers, found.rows, strict=True), key=lambda line: line[1]["code"]):
        if not is_active(row):
            continue
        key = (row.get("place", ""), row.get("what", ""))
        if not (row.get("low") or row.get("high")):
            yield f"{found.file}, row {number}", pack("it has neither low nor high, so it sets no limit")
        elif key in first:
            said = marked("{code} sets the limits of {what} for this place too; {code} is used, and this row is not")
            yield f"{found.file}, row {number}", pack(said, code=first[key], what=key[1])
        else:
            first[key] = row["code"]


def cell_faults(found: ListRead, codes: Mapping[str, Collection[str]], measured: Collection[str]) -> Iterator[Fault]:
    """What single cells of a list say wrongly: days and numbers, and codes of other lists that are not there. `codes` holds
    the known codes of each list, `measured` what limits can be of. What many rows say alike is said once."""
    wrong: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    others = {other for (name, _), other in REFERENCES.items() if name == found.name}
    near = {other: {folded(c): c for c in sorted(codes.get(other, ()), reverse=True)} for other in others}
    for number, row in zip(found.numbers, found.rows, strict=True):
        values: dict[str, Value | Unreadable] = {c: READERS["text"](text) for c, text in row.items()} | typed(found.name, row)
        for column, value in values.items():
            if isinstance(value, Unreadable):
                wrong[column, row[column], value.why].append(number)
            other = REFERENCES.get((found.name, column))
            for code in row[column].split() if (found.name, column) in _SEVERAL else filter(None, [row[column]]):
                if other is not None and code not in codes.get(other, ()):
                    meant = near[other].get(folded(code), "")
                    said = marked("is not in lists/{list}.csv; {meant} is") if meant else marked("is not in lists/{list}.csv")
                    wrong[column, code, pack(said, list=other, meant=meant)].append(number)
        if found.name == "limits" and row.get("what", "") not in measured:
            why = pack("is nothing that is measured; write one of {words}", words=", ".join(measured))
            wrong["what", row.get("what", ""), why].append(number)
    if found.name == "limits":
        yield from _limit_faults(found)
    for (column, text, why), numbers in wrong.items():
        short = text if len(text) <= 80 else text[:77] + "..."
        yield f"{found.file}, {_rows(numbers)}", pack("{column}: {text} {why}", column=column, text=short, why=why)


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
