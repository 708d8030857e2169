"""Bytes -> submissions with raw answers, whatever the container: XML, ZIP, CSV, XLSX, JSON, NDJSON.

What a question is called in a file is the last part of its column or path (`counts/green`, `data-green`), so
nothing here knows the forms. Every item of a file ends in a `Record`, in a row of a `Table`, or as an `Unread` with its
place and a remedy; nothing is left out silently.
"""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import functools
import io
import itertools
import json
import re
import stat
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from lxml import etree

MOST_BYTES = 64 * 2**20
"""Largest single file or archive member: a submission is a few kB, a season's workbook a few MB."""
MOST_TABLE_BYTES = 256 * 2**20
"""Largest CSV: it is read a piece at a time."""
MOST_EXPANDED = 512 * 2**20
"""Most that one archive may unpack to: a year of a large nursery is under a tenth of it."""
MOST_MEMBERS = 200_000
MOST_DEPTH = 64
"""Deepest nesting: forms nest three or four deep."""
ROWS_A_TABLE = 50_000
"""Rows of a table that stand in memory at once."""
_PIECE = 8 * 2**20
PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".webp", ".heic", ".m4a", ".mp3", ".mp4")
FILE_ENDINGS = (".xml", ".zip", ".csv", ".xlsx", ".json", ".ndjson", ".jsonl")


class Record(NamedTuple):
    """One submission as it came: the `texts` of its leaves `tags`, as they stand in the file; blank is no answer."""

    place: str
    form_id: str
    """As the file says: the form id, or for a table without one the file's name, to be matched later."""
    form_version: str
    tags: tuple[str, ...]
    texts: list[str | None]


@dataclass(frozen=True)
class Unread:
    """Something in a file that is no submission: where, which finding, and what to say of it."""

    place: str
    rule: str
    why: str


@dataclass(frozen=True)
class Table:
    """Rows of a table with one heading: `columns` (one a tag) hold texts in an Arrow array each; `numbers` are the rows'
    numbers in the file, `unread` those that could not be taken, each with its number. Blank rows are among the rows."""

    place: str
    form_id: str
    tags: tuple[str, ...]
    columns: list[Any]
    numbers: list[int]
    unread: list[tuple[int, Unread]]


Item = Record | Table | Unread
_SHALLOW = 48
"""With no more elements that hold others than this none can lie too deep."""


@functools.cache
def _parser() -> etree.XMLParser:
    """One hardened parser for all: nothing is fetched, no entity is put in, comments are no part of an answer."""
    return etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True
    )


def _xml(content: bytes, place: str) -> Iterator[Item]:
    try:
        root = etree.fromstring(content, _parser())
    except (etree.XMLSyntaxError, LookupError, ValueError) as wrong:
        if "depth" in str(wrong):
            yield Unread(place, "refused_file", f"its elements are nested more than {MOST_DEPTH} deep")
        elif b"<!DOCTYPE" in content or b"<!ENTITY" in content:
            yield Unread(place, "refused_file", _HAS_TYPES)
        else:
            yield Unread(place, "unreadable_file", f"the XML cannot be read: {wrong}")
        return
    if root.getroottree().docinfo.internalDTD is not None:
        yield Unread(place, "refused_file", _HAS_TYPES)
        return
    elements = list(root.iter())
    leaves = [e for e in elements if not len(e)]
    if len(elements) - len(leaves) > _SHALLOW and max(sum(1 for _ in e.iterancestors()) for e in leaves) >= MOST_DEPTH:
        yield Unread(place, "refused_file", f"its elements are nested more than {MOST_DEPTH} deep")
        return
    if leaves[0] is root:
        leaves = []
    form_id = version = ""
    for name, value in root.items():
        name = name.rpartition("}")[2]
        if name == "id":
            form_id = value
        elif name == "version":
            version = value
        elif name == "encrypted" and value == "yes":
            yield Unread(place, "unreadable_file", "it is encrypted; open it with the key of the form's owner and import that")
            return
    form_id = form_id or root.tag.rpartition("}")[2]
    yield Record(place, form_id, version, tuple([e.tag for e in leaves]), [e.text for e in leaves])


_HAS_TYPES = "it declares a document type or entities, which no submission does"


def name_of(tag: str) -> str:
    """The name of the question that a column, a path or an element means: its last part."""
    return tag.rpartition("}")[2] if tag[:1] == "{" else re.split(r"[/.:\-]", tag.strip())[-1].strip()


_UNKEEPABLE = re.compile("[\0\ud800-\udfff]")


def sound(texts: Iterable[str]) -> list[str]:
    """The texts with a mark in place of each character that no store keeps; the reader of the answer refuses it."""
    return [t if t.isascii() and "\0" not in t else _UNKEEPABLE.sub("\ufffd", t) for t in texts]


def _decode(content: bytes) -> str | None:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None


_NOT_UTF8 = "its letters are not UTF-8; save it as CSV UTF-8"
_NO_HEADER = "the table is empty; it needs a header row"
_NO_ROWS = "it has one row and nothing below it; a table has a header and rows"
_SEMICOLONS = "its cells are parted by semicolons; save it as CSV with commas"


def _wrong_length(place: str, number: int, found: int, wanted: int) -> tuple[int, Unread]:
    return number, Unread(f"{place}, row {number}", "unreadable_row", f"it has {found} cells and the header {wanted}")


def _table(rows: Iterator[tuple[int, list[str]]], place: str, stem: str) -> Iterator[Item]:
    """Tables from rows of cells, each with its number, the heading first."""
    import pyarrow as pa

    head = next(rows, None)
    if head is None:
        yield Unread(place, "unreadable_file", _NO_HEADER)
        return
    tags = tuple(sound(head[1]))
    if len(tags) == 1 and ";" in tags[0]:
        yield Unread(place, "unreadable_file", _SEMICOLONS)
        return
    empty = True
    while some := list(itertools.islice(rows, ROWS_A_TABLE)):
        empty = False
        filled = [(n, cells) for n, cells in some if any(c.strip() for c in cells)]
        unread = [_wrong_length(place, n, len(cells), len(tags)) for n, cells in filled if len(cells) != len(tags)]
        kept = [(n, sound(cells)) for n, cells in filled if len(cells) == len(tags)]
        columns = [pa.array(texts, type=pa.string()) for texts in zip(*(cells for _, cells in kept), strict=True)]
        yield Table(place, stem, tags, columns, [n for n, _ in kept], unread)
    if empty:
        yield Unread(place, "unreadable_file", _NO_ROWS)


def _csv(content: bytes, place: str, stem: str) -> Iterator[Item]:
    """Where no cell is quoted a line is a row and a comma parts two cells, so the columns are cut out as they stand; where
    quoting goes wrong only the strict reader says."""
    if not _is_utf8(content):
        yield Unread(place, "unreadable_file", _NOT_UTF8)
        return
    if not (b'"' in content or b"\0" in content or (b"\r" in content and b"\r" in content.replace(b"\r\n", b""))):
        yield from _unquoted(content.removeprefix(codecs.BOM_UTF8), place, stem)
        return
    reader = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), strict=True)
    csv.field_size_limit(MOST_BYTES)
    try:
        yield from _table(((reader.line_num, row) for row in reader), place, stem)
    except csv.Error as wrong:
        yield Unread(f"{place}, row {reader.line_num}", "unreadable_row", f"from here on it cannot be read: {wrong}")


def _is_utf8(content: bytes) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for at in range(0, len(content), _PIECE):
            decoder.decode(content[at : at + _PIECE])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _unquoted(content: bytes, place: str, stem: str) -> Iterator[Item]:
    import numpy as np
    import pyarrow as pa
    from pyarrow import csv as cells

    first, _, rest = content.partition(b"\n")
    tags = tuple(first.rstrip(b"\r").decode().split(","))
    if len(tags) == 1 and ";" in tags[0]:
        yield Unread(place, "unreadable_file", _SEMICOLONS)
        return
    if not rest:
        yield Unread(place, "unreadable_file", _NO_ROWS)
        return
    wrong: list[tuple[int, Unread]] = []

    def refuse(row: Any) -> str:
        wrong.append(_wrong_length(place, row.number + 1, row.actual_columns, len(tags)))
        return "skip"

    names = [str(i) for i in range(len(tags))]
    seen = 2
    try:
        pieces = cells.open_csv(
            pa.BufferReader(rest),
            cells.ReadOptions(use_threads=False, column_names=names, block_size=_PIECE),
            cells.ParseOptions(quote_char=False, invalid_row_handler=refuse, ignore_empty_lines=False),
            cells.ConvertOptions(column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False),
        )
        for piece in pieces:
            numbers = np.arange(seen, seen + piece.num_rows + len(wrong))
            numbers = numbers[~np.isin(numbers, [n for n, _ in wrong])][: piece.num_rows]
            seen = int(numbers[-1]) + 1 if len(numbers) else seen
            here, wrong[:] = [w for w in wrong if w[0] < seen], [w for w in wrong if w[0] >= seen]
            yield Table(place, stem, tags, piece.columns, numbers.tolist(), here)
    except pa.ArrowInvalid:
        yield Unread(place, "unreadable_file", f"a row of it is longer than {_PIECE // 2**20} MB, or there is none")
    if wrong:
        yield Table(place, stem, tags, [pa.array([], pa.string()) for _ in tags], [], wrong)


def _cell(value: Any) -> str:
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, bool):
        return str(value).lower()
    return "" if value is None else str(value)


def _xlsx(content: bytes, place: str, stem: str) -> Iterator[Item]:
    refused = _archive_fault(content)
    if refused:
        yield Unread(place, "refused_file", refused)
        return
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        rows = [[_cell(v) for v in row] for row in sheet.iter_rows(values_only=True)]
    except Exception as wrong:  # a damaged workbook makes openpyxl raise almost anything
        yield Unread(place, "unreadable_file", f"the workbook cannot be opened: {type(wrong).__name__}")
        return
    while rows and rows[0] and not rows[0][-1]:
        rows = [row[:-1] for row in rows]
    yield from _table(((n, row) for n, row in enumerate(rows, start=1)), place, stem)


def _flat(value: Any, name: str, depth: int = 0) -> Iterator[tuple[str, str]]:
    if depth > MOST_DEPTH:
        raise RecursionError
    if isinstance(value, _Pairs):
        for key, inner in value:
            yield from _flat(inner, name_of(key), depth + 1)
    elif isinstance(value, list):
        for inner in value:
            yield from _flat(inner, name, depth + 1)
    elif value is not None:
        yield name, str(value).lower() if isinstance(value, bool) else str(value)


class _Pairs(list[tuple[str, Any]]):
    """A JSON object with its members in order, repeated keys and all."""


def _load_json(text: str) -> Any:
    return json.loads(text, object_pairs_hook=_Pairs, parse_float=str, parse_int=str, parse_constant=str)


def _one_json(value: Any, place: str, stem: str) -> Item:
    if not isinstance(value, _Pairs):
        return Unread(place, "unreadable_row", "it is not an object with the answers by name")
    try:
        pairs = list(_flat(value, ""))
        return Record(place, stem, "", tuple(sound(name for name, _ in pairs)), [*sound(text for _, text in pairs)])
    except RecursionError:
        return Unread(place, "refused_file", f"its objects are nested more than {MOST_DEPTH} deep")


def _json(content: bytes, place: str, stem: str, is_lines: bool) -> Iterator[Item]:
    text = _decode(content)
    if text is None:
        yield Unread(place, "unreadable_file", "its letters are not UTF-8; save it as UTF-8")
        return
    pieces = [(f"{place}, line {n}", t) for n, t in enumerate(text.split("\n"), 1) if t.strip()]
    for where, piece in pieces if is_lines else [(place, text)]:
        try:
            value = _load_json(piece)
        except RecursionError:
            yield Unread(where, "refused_file", f"its objects are nested more than {MOST_DEPTH} deep")
            continue
        except ValueError as wrong:
            yield Unread(where, "unreadable_row" if is_lines else "unreadable_file", f"the JSON cannot be read: {wrong}")
            continue
        if isinstance(value, _Pairs) and len(value) and isinstance(dict(value).get("value"), list):
            value = dict(value)["value"]
        if isinstance(value, list) and not isinstance(value, _Pairs):
            if not value:
                yield Unread(where, "unreadable_file", "the list in it is empty")
            for number, inner in enumerate(value, start=1):
                yield _one_json(inner, f"{where}, item {number}", stem)
        else:
            yield _one_json(value, where, stem)


def _archive_fault(content: bytes) -> str:
    try:
        members = zipfile.ZipFile(io.BytesIO(content)).infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, OverflowError) as wrong:
        return f"the archive cannot be opened: {wrong}"
    if len(members) > MOST_MEMBERS:
        return f"the archive holds more than {MOST_MEMBERS} files"
    if sum(m.file_size for m in members) > MOST_EXPANDED:
        return f"the archive would unpack to more than {MOST_EXPANDED // 2**20} MB"
    return ""


def _member_fault(member: zipfile.ZipInfo) -> str:
    parts = re.split(r"[/\\]", member.filename)
    if ".." in parts or parts[0] == "" or ":" in parts[0] or "\0" in member.orig_filename:
        return "its name points outside the archive"
    if stat.S_ISLNK(member.external_attr >> 16):
        return "it is a link, not a file"
    if member.flag_bits & 1:
        return "it is locked with a password; unlock it first"
    if member.file_size > MOST_BYTES:
        return f"it is larger than {MOST_BYTES // 2**20} MB"
    return ""


def _zip(content: bytes, place: str) -> Iterator[Item]:
    refused = _archive_fault(content)
    if refused:
        yield Unread(place, "refused_file", refused)
        return
    archive = zipfile.ZipFile(io.BytesIO(content))
    for member in archive.infolist():
        name = member.filename
        where = f"{place}: {name}"
        if member.is_dir() or name.lower().endswith(PHOTO_ENDINGS) or name.startswith("__MACOSX/"):
            continue
        fault = _member_fault(member)
        if fault:
            yield Unread(where, "refused_file", fault)
            continue
        if name.lower().endswith(".zip"):
            yield Unread(where, "refused_file", "it is an archive inside an archive; unpack it first")
            continue
        try:
            inside = archive.read(member)
        except (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, ValueError, zlib.error) as wrong:
            yield Unread(where, "unreadable_file", f"it cannot be unpacked: {wrong}")
            continue
        yield from read(inside, name, where)


def read(content: bytes, name: str, place: str | None = None) -> Iterator[Item]:
    """Every submission in the bytes of a file called `name`, or what is wrong with it. Never raises."""
    place = name if place is None else place
    base = re.split(r"[/\\]", name)[-1]
    stem, _, ending = base.rpartition(".")
    ending = "." + ending.lower()
    most = MOST_TABLE_BYTES if ending == ".csv" else MOST_BYTES
    if len(content) > most:
        yield Unread(place, "refused_file", f"it is larger than {most // 2**20} MB")
    elif not content.strip():
        yield Unread(place, "unreadable_file", "it is empty")
    elif ending in PHOTO_ENDINGS:
        return  # kept, and nothing to read in it
    elif ending == ".zip":
        yield from _zip(content, place)
    elif ending == ".xlsx":
        yield from _xlsx(content, place, stem)
    elif ending == ".csv":
        yield from _csv(content, place, stem)
    elif ending in (".json", ".ndjson", ".jsonl"):
        yield from _json(content, place, stem, is_lines=ending != ".json")
    elif ending == ".xml" or content.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        yield from _xml(content, place)
    else:
        yield Unread(place, "unreadable_file", f"{ending} files are not read; send {', '.join(FILE_ENDINGS)}")
