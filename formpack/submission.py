"""Bytes -> submissions with raw answers, whatever the container: XML, ZIP, CSV, XLSX, JSON, NDJSON.

What a question is called in a file is the last part of its column or path (`counts/green`, `data-green`), so
nothing here knows the forms. Every item of a file ends as a `Received` or as an `Unread` with its place and a
remedy; nothing is left out silently.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import re
import stat
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any
from xml.parsers.expat import ExpatError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser, ParseError

MOST_BYTES = 64 * 2**20
"""Largest single file or archive member: a submission is a few kB, a season's table a few MB."""
MOST_EXPANDED = 512 * 2**20
"""Most that one archive may unpack to: a year of a large nursery is under a tenth of it."""
MOST_MEMBERS = 200_000
MOST_DEPTH = 64
"""Deepest nesting: forms nest three or four deep."""
PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".webp", ".heic", ".m4a", ".mp3", ".mp4")
FILE_ENDINGS = (".xml", ".zip", ".csv", ".xlsx", ".json", ".ndjson", ".jsonl")


@dataclass(frozen=True)
class Received:
    """One submission as it came: answers are texts by question name; blank ones are left out."""

    place: str
    form_id: str
    """As the file says: the form id, or for a table without one the file's name, to be matched later."""
    form_version: str
    instance_id: str
    deprecated_id: str
    answers: dict[str, str] = field(hash=False)
    twice: tuple[str, ...] = ()
    """Names that stand more than once with different answers."""


@dataclass(frozen=True)
class Unread:
    """Something in a file that is no submission: where, which finding, and what to say of it."""

    place: str
    rule: str
    why: str


Item = Received | Unread
_UNKEEPABLE = re.compile("[\0\ud800-\udfff]")
"""Characters that no store keeps in a text; the reader of the answer refuses what stands in their place."""


def row_identity(form_id: str, answers: dict[str, str]) -> str:
    """An identity for a submission that came without one: the same row again gets the same."""
    said = json.dumps([form_id, sorted(answers.items())], ensure_ascii=False)
    return "row:" + hashlib.sha256(said.encode()).hexdigest()[:32]


def _received(place: str, form_id: str, version: str, pairs: Iterable[tuple[str, str]]) -> Received:
    answers: dict[str, str] = {}
    twice: list[str] = []
    for name, text in pairs:
        text = _UNKEEPABLE.sub("\ufffd", text.strip(" \t\r\n"))
        if text == "":
            continue
        if name in answers and answers[name] != text:
            twice.append(name)
        answers.setdefault(name, text)
    identity = {k: answers.pop(k, "") for k in ("instanceID", "KEY", "deprecatedID")}
    form_id = answers.pop("form_id", "") or form_id
    version = answers.pop("form_version", "") or version
    instance_id = identity["instanceID"] or identity["KEY"] or row_identity(form_id, answers)
    return Received(place, form_id, version, instance_id, identity["deprecatedID"], answers, tuple(twice))


class _Leaves:
    """Parser target: gathers the text of elements that hold no others, without building a tree."""

    def __init__(self) -> None:
        self.root: tuple[str, dict[str, str]] | None = None
        self.open: list[tuple[str, list[str], bool]] = []
        self.pairs: list[tuple[str, str]] = []

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if len(self.open) >= MOST_DEPTH:
            raise _TooDeep
        if self.root is None:
            self.root = (tag, attributes)
        elif self.open:
            self.open[-1] = (*self.open[-1][:2], True)
        self.open.append((tag.rpartition("}")[2], [], False))

    def data(self, text: str) -> None:
        if self.open:
            self.open[-1][1].append(text)

    def end(self, _: str) -> None:
        name, texts, has_children = self.open.pop()
        if not has_children and self.open:
            self.pairs.append((name, "".join(texts)))

    def close(self) -> None:
        return None


class _TooDeep(Exception):
    pass


def _xml(content: bytes, place: str) -> Iterator[Item]:
    leaves = _Leaves()
    try:
        parser = DefusedXMLParser(target=leaves, forbid_dtd=True, forbid_entities=True, forbid_external=True)
        parser.feed(content)
        parser.close()
    except DefusedXmlException:
        yield Unread(place, "refused_file", "it declares a document type or entities, which no submission does")
        return
    except _TooDeep:
        yield Unread(place, "refused_file", f"its elements are nested more than {MOST_DEPTH} deep")
        return
    except (ParseError, ExpatError, LookupError, ValueError) as wrong:
        yield Unread(place, "unreadable_file", f"the XML cannot be read: {wrong}")
        return
    tag, attributes = leaves.root or ("", {})
    local = {k.rpartition("}")[2]: v for k, v in attributes.items()}
    if local.get("encrypted") == "yes":
        yield Unread(place, "unreadable_file", "it is encrypted; open it with the key of the form's owner and import that")
        return
    form_id = local.get("id", "") or tag.rpartition("}")[2]
    yield _received(place, form_id, local.get("version", ""), leaves.pairs)


def _name(column: str) -> str:
    return re.split(r"[/.:\-]", column.strip())[-1].strip()


def _decode(content: bytes) -> str | None:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None


def _table(rows: Iterator[tuple[int, list[str]]], place: str, stem: str) -> Iterator[Item]:
    head = next(rows, None)
    if head is None:
        yield Unread(place, "unreadable_file", "the table is empty; it needs a header row")
        return
    columns = [_name(c) for c in head[1]]
    if len(columns) == 1 and ";" in head[1][0]:
        yield Unread(place, "unreadable_file", "its cells are parted by semicolons; save it as CSV with commas")
        return
    empty = True
    for number, cells in rows:
        empty = False
        if not any(c.strip() for c in cells):
            continue
        where = f"{place}, row {number}"
        if len(cells) != len(columns):
            yield Unread(where, "unreadable_row", f"it has {len(cells)} cells and the header {len(columns)}")
            continue
        yield _received(where, stem, "", zip(columns, cells, strict=True))
    if empty:
        yield Unread(place, "unreadable_file", "it has one row and nothing below it; a table has a header and rows")


def _csv(content: bytes, place: str, stem: str) -> Iterator[Item]:
    text = _decode(content)
    if text is None:
        yield Unread(place, "unreadable_file", "its letters are not UTF-8; save it as CSV UTF-8")
        return
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    csv.field_size_limit(MOST_BYTES)
    try:
        yield from _table(((reader.line_num, row) for row in reader), place, stem)
    except csv.Error as wrong:
        yield Unread(f"{place}, row {reader.line_num}", "unreadable_row", f"from here on it cannot be read: {wrong}")


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
    yield from _table(iter(enumerate(rows, start=1)), place, stem)


def _flat(value: Any, name: str, depth: int = 0) -> Iterator[tuple[str, str]]:
    if depth > MOST_DEPTH:
        raise RecursionError
    if isinstance(value, _Pairs):
        for key, inner in value:
            yield from _flat(inner, _name(key), depth + 1)
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
        return _received(place, stem, "", list(_flat(value, "")))
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
    if len(content) > MOST_BYTES:
        yield Unread(place, "refused_file", f"it is larger than {MOST_BYTES // 2**20} MB")
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
