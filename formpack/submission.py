"""Bytes -> submissions with raw answers, whatever the container: XML, ZIP, CSV, XLSX, JSON, NDJSON.

What a question is called in a file is the last part of its path (`counts/green`, `data-green`); of forms no more is asked
than which row of a table is its heading, and what form a sheet is named for (`Headings`). Every item of a file ends in a
`Record`, in a row of a `Table`, or as an `Unread` with its place and a remedy; a sheet that holds no submissions is an
`Aside`. Nothing is left out silently.
"""

from __future__ import annotations

import codecs
import collections
import contextlib
import csv
import functools
import io
import itertools
import json
import mmap
import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from lxml import etree

from formpack.headings import LOOKED_AT, Headings, folded, last_part
from formpack.readers import cell_text
from formpack.sheets import (
    MOST_ATTRIBUTES,
    MOST_COLUMNS,
    Budget,
    Spent,
    Unopened,
    has_many_attributes,
    opened_archive,
    sheets_of,
)
from formpack.words import MARKS, pack

MOST_BYTES = 64 * 2**20
"""Largest single file or archive member: a submission is a few kB, a season's workbook a few MB."""
MOST_TABLE_BYTES = 256 * 2**20
"""Largest CSV: it is read a piece at a time."""
MOST_XML_BYTES, MOST_ELEMENTS = 16 * 2**20, 250_000
"""Largest XML, which is one submission, and its elements: each takes some 300 bytes while it is read."""
MOST_EXPANDED = 512 * 2**20
"""Most that one archive may unpack to, photos aside: a year of a large nursery is under a tenth of it."""
MOST_MEMBERS = 200_000
MOST_DEPTH = 64
"""Deepest nesting: forms nest three or four deep."""
MOST_JSON_PARTS = 2_000_000
"""Members and items of one JSON document, or of one line: each takes some 250 bytes while it is read."""
MOST_TABLE_CELLS, MOST_ROW_CELLS = 50_000_000, 1_000_000
"""Cells of a CSV, and of one row of it."""
CELLS_AT_ONCE = 2_000_000
"""Cells of a table that stand in memory at once."""
SAID_ALIKE = 5
"""Members of an archive that are each said to be unreadable; beyond, those with the same fault are counted."""
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
    """Something in a file that is no submission: where, which finding, and what to say of it, packed."""

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


@dataclass(frozen=True)
class Aside:
    """A sheet that is no table of submissions, and why it was taken for none, packed."""

    place: str
    why: str


Item = Record | Table | Unread | Aside
_SHALLOW = 48
"""With no more elements that hold others than this none can lie too deep."""


@functools.cache
def _parser() -> etree.XMLParser:
    """One hardened parser for all: nothing is fetched, no entity is put in, comments are no part of an answer."""
    return etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True
    )


def _xml(content: bytes, place: str) -> Item:
    if len(content) > MOST_XML_BYTES or content.count(b"<") > 2 * MOST_ELEMENTS:
        why = pack("it is larger than {most} MB or {n} elements", most=MOST_XML_BYTES // 2**20, n=MOST_ELEMENTS)
        return Unread(place, "refused_file", why)
    if has_many_attributes(content):
        return Unread(place, "refused_file", _TOO_MANY_ATTRIBUTES)
    try:
        root = etree.fromstring(content, _parser())
    except (etree.XMLSyntaxError, LookupError, ValueError) as wrong:
        if "depth" in str(wrong):
            return Unread(place, "refused_file", _TOO_DEEP)
        if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
            return Unread(place, "refused_file", _HAS_TYPES)
        return Unread(place, "unreadable_file", pack("the XML cannot be read: {why}", why=wrong))
    if root.getroottree().docinfo.internalDTD is not None:
        return Unread(place, "refused_file", _HAS_TYPES)
    elements = list(root.iter())
    leaves = [e for e in elements if not len(e)]
    if len(leaves) > MOST_COLUMNS:
        return Unread(place, "refused_file", _TOO_MANY_NAMES)
    if len(elements) - len(leaves) > _SHALLOW and max(sum(1 for _ in e.iterancestors()) for e in leaves) >= MOST_DEPTH:
        return Unread(place, "refused_file", _TOO_DEEP)
    if leaves[0] is root:
        leaves = []
    form_id = version = ""
    for tag, value in root.items():
        name = str(tag).rpartition("}")[2]
        if name == "id":
            form_id = str(value)
        elif name == "version":
            version = str(value)
        elif name == "encrypted" and value == "yes":
            return Unread(place, "unreadable_file", ENCRYPTED)
    form_id = form_id or root.tag.rpartition("}")[2]
    return Record(place, form_id, version, tuple([e.tag for e in leaves]), [e.text for e in leaves])


ENCRYPTED = pack("it is encrypted; open it with the key of the form's owner and import that")
_TOO_MANY_ATTRIBUTES = pack(
    "one of its elements has more than {n} attributes, and in a form it has some three", n=MOST_ATTRIBUTES
)
_TOO_MANY_NAMES = pack("it has more than {n} answers, and a form asks some thirty", n=MOST_COLUMNS)
_TOO_DEEP = pack("its elements are nested more than {n} deep", n=MOST_DEPTH)
_HAS_TYPES = pack("it declares a document type or entities, which no submission does")


def name_of(tag: str) -> str:
    """The name of the question that a column, a path or an element means: its last part."""
    return tag.rpartition("}")[2] if tag[:1] == "{" else last_part(tag)


_UNKEEPABLE = re.compile("[\0\ud800-\udfff]")
_UNSOUND = re.compile(f"[\0{MARKS}\ud800-\udfff]")
_UNKEEPABLE_BYTES = tuple(mark.encode() for mark in "\0" + MARKS)


def sound(texts: Iterable[str]) -> list[str]:
    """The texts with a mark in place of each character that no store keeps, and of those that pack sentences; the reader of the
    answer refuses it."""
    return [t if t.isprintable() else _UNSOUND.sub("\ufffd", t) for t in texts]


def keepable(packed: Iterable[str]) -> list[str]:
    """The packed texts with a mark in place of each character that no store keeps."""
    return [_UNKEEPABLE.sub("\ufffd", text) for text in packed]


def _decode(content: bytes) -> str | None:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None


_NOT_UTF8 = pack("its letters are not UTF-8; save it as CSV UTF-8")
_TOO_MANY_COLUMNS = pack("its heading has more than {n} columns, and a form asks some thirty questions", n=MOST_COLUMNS)
_NO_HEADER = pack("the table is empty; it needs a header row")
_NO_ROWS = pack("it has one row and nothing below it; a table has a header and rows")
_SEMICOLONS = pack("its cells are parted by semicolons; save it as CSV with commas")


def _wrong_length(place: str, number: int, found: int, wanted: int) -> tuple[int, Unread]:
    why = pack("not as many cells as the header has: {found} instead of {wanted}", found=found, wanted=wanted)
    return number, Unread(f"{place}, row {number}", "unreadable_row", why)


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
    if len(tags) > MOST_COLUMNS:
        yield Unread(place, "refused_file", _TOO_MANY_COLUMNS)
        return
    empty, at_once = True, max(CELLS_AT_ONCE // max(len(tags), 1), 1)
    while True:
        kept: list[tuple[int, list[str]]] = []
        unread: list[tuple[int, Unread]] = []
        many = 0
        for n, cells in itertools.islice(rows, at_once):
            many += 1
            if len(cells) == len(tags):
                kept.append((n, sound(cells)))
            elif any(c.strip() for c in cells):
                unread.append(_wrong_length(place, n, len(cells), len(tags)))
        if not many:
            break
        empty = False
        columns = [pa.array([cells[i] for _, cells in kept], type=pa.string()) for i in range(len(tags))]
        yield Table(place, stem, tags, columns, [n for n, _ in kept], unread)
    if empty:
        yield Unread(place, "unreadable_file", _NO_ROWS)


def _csv(content: bytes, place: str, stem: str, headings: Headings) -> Iterator[Item]:
    """The strict reader judges a table by its rows; one in which every row is a line with as many cells as the header has is
    then cut into columns as it stands, any other is read row by row, and what is wrong with it said. What stands above the
    heading is no row of it."""
    if not _is_utf8(content):
        yield Unread(place, "unreadable_file", _NOT_UTF8)
        return
    csv.field_size_limit(MOST_BYTES)
    if content.count(b",") > MOST_TABLE_CELLS:
        yield Unread(place, "refused_file", pack("it has more than {n} cells; split it", n=MOST_TABLE_CELLS))
        return
    above = _above(content, headings)
    if not above and _is_even(content):
        yield from _columns(content, place, stem)
        return
    rows = _Rows(content)
    try:
        yield from _table(itertools.islice(rows, above, None), place, stem)
    except csv.Error as wrong:
        yield Unread(f"{place}, row {rows.number}", "unreadable_row", pack("from here on it cannot be read: {why}", why=wrong))


def _above(content: bytes, headings: Headings) -> int:
    """How many rows stand above the heading of a CSV."""
    first: list[list[str]] = []
    with contextlib.suppress(csv.Error):  # it is said where the row is read
        first.extend(cells for _, cells in itertools.islice(_Rows(content), LOOKED_AT))
    return headings.at(first)


class _Rows:
    """The rows of a CSV, each with the number of its last line. Raises csv.Error, also for a row that does not end."""

    def __init__(self, content: bytes) -> None:
        self._lines = io.TextIOWrapper(io.BytesIO(content), encoding="utf-8-sig", newline="")
        self._reader = csv.reader(self._counted(), strict=True)
        self._cells = 0

    @property
    def number(self) -> int:
        return self._reader.line_num

    def _counted(self) -> Iterator[str]:
        for line in self._lines:
            self._cells += line.count(",")
            if self._cells > MOST_ROW_CELLS:
                raise csv.Error(pack("the row has more than {n} cells", n=MOST_ROW_CELLS))
            yield line

    def __iter__(self) -> Iterator[tuple[int, list[str]]]:
        for row in self._reader:
            self._cells = 0
            yield self._reader.line_num, row


def _is_even(content: bytes) -> bool:
    if any(mark in content for mark in _UNKEEPABLE_BYTES) or (b"\r" in content and b"\r" in content.replace(b"\r\n", b"")):
        return False
    rows = _Rows(content)
    try:
        lengths = collections.Counter(len(cells) for _, cells in rows)
    except csv.Error:
        return False
    (width, many), *others = lengths.items()
    return not others and 1 < width <= MOST_COLUMNS and many > 1 and rows.number == many


def _is_utf8(content: bytes) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for at in range(0, len(content), _PIECE):
            decoder.decode(content[at : at + _PIECE])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _columns(content: bytes, place: str, stem: str) -> Iterator[Item]:
    import pyarrow as pa
    from pyarrow import csv as cells

    tags = tuple(next(iter(_Rows(content)))[1])
    names = [str(i) for i in range(len(tags))]
    longest = max(map(len, io.BytesIO(content)))
    at_once = max(_PIECE, len(content) // 16, longest + 1)  # no row may be longer
    pieces = cells.open_csv(
        pa.BufferReader(content),
        cells.ReadOptions(use_threads=False, column_names=names, skip_rows=1, block_size=at_once),
        cells.ParseOptions(),
        cells.ConvertOptions(column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False),
    )
    number = 2
    for piece in pieces:
        yield Table(place, stem, tags, piece.columns, list(range(number, number + piece.num_rows)), [])
        number += piece.num_rows


def _xlsx(content: bytes, place: str, hint: str, headings: Headings, form: str, budget: Budget) -> Iterator[Item]:
    """Every sheet with something in it: a table, or an Aside. `hint` is the form that the file's name means, or the name."""
    try:
        sheets = sheets_of(content, budget)
    except Unopened as wrong:
        yield Unread(place, "refused_file" if wrong.is_refused else "unreadable_file", str(wrong))
        return
    filled = {}
    for sheet in sheets:
        rows = [(n, [cell_text(v) for v in row]) for n, row in sheet.rows]
        rows = [(n, row) for n, row in rows if any(row)]
        if rows and not (sheet.title == CODES_SHEET and sheet.is_hidden):
            filled[sheet.title] = rows
    if len(filled) < 2:
        title, rows = next(iter(filled.items()), ("", []))
        yield from _sheet(rows, place, form or headings.form_of(title) or hint, headings)
        return
    for title, rows in filled.items():
        where = f"{place}, sheet {title}"
        head = rows[headings.at([row for _, row in rows[:LOOKED_AT]])]
        named = form or headings.form_of(title)
        has_form = "formid" in (folded(name_of(cell)) for cell in head[1])
        is_known = max(headings.known(head[1])) >= 2 or has_form
        if not named and not (is_known and (hint in headings.forms or has_form)):
            yield Aside(where, _NO_FORM if is_known else _NO_QUESTIONS)
        elif rows[-1][0] == head[0]:
            if not is_known:
                yield Aside(where, _NO_QUESTIONS)
        else:
            yield from _sheet(rows, where, named or hint, headings)


CODES_SHEET = "lists"
"""The hidden sheet of our own workbooks that holds the codes to choose from."""
_NO_FORM = pack("not read, as neither its name nor the file's says which form it is")
_NO_QUESTIONS = pack("not read, as no row of it names questions of a form")


def _sheet(rows: list[tuple[int, list[str]]], place: str, hint: str, headings: Headings) -> Iterator[Item]:
    """The table of a sheet: its heading and what stands below. What stands in columns without a heading is put together in
    one, so that a stray cell does not make a table wider than what it holds."""
    rows = rows[headings.at([row for _, row in rows[:LOOKED_AT]]) :]
    head = rows[0][1] if rows else []
    named = [i for i, cell in enumerate(head) if cell.strip()]
    if len(head) > MOST_COLUMNS:
        yield Unread(place, "refused_file", _TOO_MANY_COLUMNS)
        return

    def lined_up(row: list[str]) -> list[str]:
        stray = " ".join(c for i, c in enumerate(row) if c.strip() and i not in columns)
        return [*(row[i] if i < len(row) else "" for i in named), stray]

    columns = set(named)
    lines = [(n, lined_up(row)) for n, row in rows]
    has_stray = any(cells[-1] for _, cells in lines)
    yield from _table(((n, cells if has_stray else cells[:-1]) for n, cells in lines), place, hint)


def _flat(value: Any, name: str, depth: int = 0) -> Iterator[tuple[str, str]]:
    if depth > MOST_DEPTH:
        raise RecursionError
    if isinstance(value, _Pairs):
        for key, inner in value:
            yield from _flat(inner, name_of(key), depth + 1)
    elif isinstance(value, list) and any(isinstance(inner, list) for inner in value):
        for inner in value:
            yield from _flat(inner, name, depth + 1)
    elif isinstance(value, list):  # a list of answers is no answer, and of one no number
        if value:
            yield name, f"[{', '.join(_said(inner) for inner in value)}]"
    elif value is not None:
        yield name, _said(value)


def _said(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else "" if value is None else str(value)


class _Pairs(list[tuple[str, Any]]):
    """A JSON object with its members in order, repeated keys and all."""


def _load_json(text: str) -> Any:
    return json.loads(text, object_pairs_hook=_Pairs, parse_float=str, parse_int=str, parse_constant=str)


def _one_json(value: Any, place: str, stem: str) -> Item:
    if not isinstance(value, _Pairs):
        return Unread(place, "unreadable_row", pack("it is not an object with the answers by name"))
    try:
        pairs = list(_flat(value, ""))
        if len(pairs) > MOST_COLUMNS:
            return Unread(place, "refused_file", _TOO_MANY_NAMES)
        return Record(place, stem, "", tuple(sound(name for name, _ in pairs)), [*sound(text for _, text in pairs)])
    except RecursionError:
        return Unread(place, "refused_file", pack("its objects are nested more than {n} deep", n=MOST_DEPTH))


def _json(content: bytes, place: str, stem: str, is_lines: bool) -> Iterator[Item]:
    text = _decode(content)
    if text is None:
        yield Unread(place, "unreadable_file", pack("its letters are not UTF-8; save it as UTF-8"))
        return
    pieces = [(f"{place}, line {n}", t) for n, t in enumerate(text.split("\n"), 1) if t.strip()]
    for where, piece in pieces if is_lines else [(place, text)]:
        if piece.count(",") + piece.count("{") + piece.count("[") > MOST_JSON_PARTS:
            yield Unread(where, "refused_file", pack("it has more than {n} parts; split it", n=MOST_JSON_PARTS))
            continue
        try:
            value = _load_json(piece)
        except RecursionError:
            yield Unread(where, "refused_file", pack("its objects are nested more than {n} deep", n=MOST_DEPTH))
            continue
        except ValueError as wrong:
            why = pack("the JSON cannot be read: {why}", why=wrong)
            yield Unread(where, "unreadable_row" if is_lines else "unreadable_file", why)
            continue
        if isinstance(value, _Pairs) and len(value) and isinstance(dict(value).get("value"), list):
            value = dict(value)["value"]
        if isinstance(value, list) and not isinstance(value, _Pairs):
            if not value:
                yield Unread(where, "unreadable_file", pack("the list in it is empty"))
            for number, inner in enumerate(value, start=1):
                yield _one_json(inner, f"{where}, item {number}", stem)
        else:
            yield _one_json(value, where, stem)


def _archive_fault(members: list[zipfile.ZipInfo]) -> str:
    if len(members) > MOST_MEMBERS:
        return pack("the archive holds more than {n} files", n=MOST_MEMBERS)
    if sum(m.file_size for m in members) > MOST_EXPANDED:
        return pack("the archive would unpack to more than {most} MB", most=MOST_EXPANDED // 2**20)
    return ""


def _member_fault(member: zipfile.ZipInfo) -> str:
    parts = member.filename.replace("\\", "/").split("/")
    if ".." in parts or parts[0] == "" or ":" in parts[0] or "\0" in member.orig_filename:
        return pack("its name points outside the archive")
    if stat.S_ISLNK(member.external_attr >> 16):
        return pack("it is a link, not a file")
    if member.flag_bits & 1:
        return pack("it is locked with a password; unlock it first")
    if member.file_size > MOST_BYTES:
        return pack("it is larger than {most} MB", most=MOST_BYTES // 2**20)
    return ""


NO_HEADINGS = Headings({})


def _unpacked(archive: zipfile.ZipFile, content: bytes | mmap.mmap, member: zipfile.ZipInfo) -> bytes:
    """The bytes of a member. Deflated ones, nearly all there are, are cut out of the archive's bytes as its directory says, and
    must be of the length and checksum it names; the rest is left to the library, and so is saying what is wrong."""
    if member.compress_type == zipfile.ZIP_DEFLATED:
        at = member.header_offset + 26
        begin = at + 4 + sum(struct.unpack_from("<HH", content, at)) if at + 4 <= len(content) else len(content)
        try:
            inside = zlib.decompressobj(-15).decompress(content[begin : begin + member.compress_size], member.file_size + 1)
        except zlib.error:
            inside = b""
        if len(inside) == member.file_size and zlib.crc32(inside) == member.CRC:
            return inside
    return archive.read(member)


def _name(member: zipfile.ZipInfo) -> str:
    return sound([member.filename])[0]


def _is_passed(member: zipfile.ZipInfo) -> bool:
    """Whether there is nothing to read in it: a folder, a photo, what some computers add."""
    name = member.filename
    return member.is_dir() or name[-5:].lower().endswith(PHOTO_ENDINGS) or name.startswith("__MACOSX/")


def _zip(source: bytes | Path, place: str, headings: Headings, form: str, budget: Budget) -> Iterator[Item]:
    with contextlib.ExitStack() as opened:
        content: bytes | mmap.mmap
        try:
            archive = opened.enter_context(opened_archive(source))
            if isinstance(source, bytes):
                content = source
            else:
                file = opened.enter_context(source.open("rb"))
                content = opened.enter_context(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
        except Unopened as wrong:
            yield Unread(place, "refused_file", str(wrong))
            return
        members = [m for m in archive.infolist() if not _is_passed(m)]
        if fault := _archive_fault(members):
            yield Unread(place, "refused_file", fault)
            return
        alike: dict[tuple[str, str], list[Unread]] = {}
        for member in members:
            for item in _member(archive, content, member, place, headings, form, budget):
                if isinstance(item, Unread) and item.place == f"{place}: {_name(member)}":
                    alike.setdefault((item.rule, item.why), []).append(item)
                else:
                    yield item
    for (rule, why), found in alike.items():
        if len(found) <= SAID_ALIKE:
            yield from found
        else:
            said = pack("{n} of the files in it, {first} first: {why}", n=len(found), first=found[0].place, why=why)
            yield Unread(place, rule, said)


def _member(
    archive: zipfile.ZipFile,
    content: bytes | mmap.mmap,
    member: zipfile.ZipInfo,
    place: str,
    headings: Headings,
    form: str,
    budget: Budget,
) -> Iterator[Item]:
    name = _name(member)
    where = f"{place}: {name}"
    ending = name[-5:].lower()
    if fault := _member_fault(member):
        yield Unread(where, "refused_file", fault)
        return
    if ending.endswith(".zip"):
        yield Unread(where, "refused_file", pack("it is an archive inside an archive; unpack it first"))
        return
    try:
        inside = _unpacked(archive, content, member)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, ValueError, zlib.error) as wrong:
        yield Unread(where, "unreadable_file", pack("it cannot be unpacked: {why}", why=wrong))
        return
    if ending.endswith(".xml") and inside[:1] == b"<":
        yield _xml(inside, where)
    else:
        yield from _read(inside, name, where, headings, form, budget)


def read(
    source: bytes | Path, name: str, place: str | None = None, headings: Headings = NO_HEADINGS, form: str = ""
) -> Iterator[Item]:
    """Every submission in a file called `name` (its bytes, or where they are), or what is wrong with it. `form` is what its
    tables are said to be, where somebody said so. Raises nothing but what the disk and the memory do."""
    place = name if place is None else place
    try:
        yield from _read(source, name, place, headings, form, Budget())
    except Spent as wrong:
        yield Unread(place, "refused_file", pack("{why}; split it", why=wrong))


def _read(source: bytes | Path, name: str, place: str, headings: Headings, form: str, budget: Budget) -> Iterator[Item]:
    base = name.replace("\\", "/").rpartition("/")[2]
    stem, _, ending = base.rpartition(".")
    ending = "." + ending.lower()
    if ending in PHOTO_ENDINGS:
        return  # kept, and nothing to read in it
    if ending == ".zip":
        yield from _zip(source, place, headings, form, budget)
        return
    most = MOST_TABLE_BYTES if ending == ".csv" else MOST_BYTES
    if (len(source) if isinstance(source, bytes) else source.stat().st_size) > most:
        yield Unread(place, "refused_file", pack("it is larger than {most} MB; split it", most=most // 2**20))
        return
    content = source if isinstance(source, bytes) else source.read_bytes()
    hint = form or headings.form_of(stem) or stem
    if not content.strip():
        yield Unread(place, "unreadable_file", pack("it is empty"))
    elif ending == ".xlsx":
        yield from _xlsx(content, place, hint, headings, form, budget)
    elif ending == ".csv":
        yield from _csv(content, place, hint, headings)
    elif ending in (".json", ".ndjson", ".jsonl"):
        yield from _json(content, place, hint, is_lines=ending != ".json")
    elif ending == ".xml" or content.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        yield _xml(content, place)
    else:
        why = pack("{ending} files are not read; send {endings}", ending=ending, endings=", ".join(FILE_ENDINGS))
        yield Unread(place, "unreadable_file", why)
