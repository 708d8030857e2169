"""The sheets of a workbook, row by row: as much work as there are cells that hold something, whatever it claims to be.

Every bound counts what is done, not seconds, so that a file comes out the same on any machine on any day.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from formpack.words import marked, pack

MOST_ROWS, MOST_COLUMNS = 1_048_576, 2_000
"""Rows that a sheet may have (ISO/IEC 29500 leaves it open; spreadsheet programs stop there), and columns of a table that are
read each by itself: a form asks some thirty questions."""
MOST_STEPS = 100_000_000
"""Places for cells that are looked at in one file: some ten seconds."""
MOST_CELLS = 4_000_000
"""Filled cells of a workbook: they stand in memory together, in less than half a gigabyte. A season's workbook has a tenth."""
MOST_OF_SHEETS, MOST_BESIDE = 256 * 2**20, 48 * 2**20
"""What the sheets of a workbook may unpack to, and what stands beside them (texts, styles)."""
MOST_SHEETS = 500
MOST_ROW_ELEMENTS, MOST_TEXT_ELEMENTS = 500_000, 8_000_000
"""Tags of one row of a sheet, which stands in memory as a whole (16,384 columns are the most that spreadsheet programs have),
and of all its texts."""
_PIECE = 2**20
MOST_BESIDE_ELEMENTS = 300_000
"""Elements of a file beside the sheets: each becomes an object of some hundreds of bytes. A workbook may have 64,000 looks."""
MOST_ATTRIBUTES = 1_000
"""Attributes of one element: the parser looks at each of them once for every other."""

Source = bytes | Path
"""The bytes of a file, or where they are."""


class Unopened(Exception):
    """It cannot be opened as what it should be; `str()` says why, packed. `is_refused`: it was not even tried."""

    def __init__(self, why: str, is_refused: bool = False) -> None:
        super().__init__(why)
        self.is_refused = is_refused


class Spent(Exception):
    """A file holds more than is read of one file; `str()` says more than what, packed."""


@dataclass
class Budget:
    """What may still be read of one file, with all that is inside it."""

    steps: int = MOST_STEPS
    cells: int = MOST_CELLS

    def spend(self, steps: int, cells: int) -> None:
        """Raises Spent."""
        self.steps, self.cells = self.steps - steps, self.cells - cells
        if self.cells < 0:
            raise Spent(pack("it holds more than {n} filled cells", n=MOST_CELLS))
        if self.steps < 0:
            raise Spent(pack("its cells are scattered over more than {n} places", n=MOST_STEPS))


@dataclass(frozen=True)
class Sheet:
    """One sheet. `rows` are those that hold something: the number of each with its values, cut off after the last; what stands
    beyond column MOST_COLUMNS is put together in one more."""

    title: str
    is_hidden: bool
    rows: list[tuple[int, list[Any]]]


def opened_archive(source: Source) -> zipfile.ZipFile:
    """A ZIP archive. Raises Unopened."""
    try:
        return zipfile.ZipFile(_file(source))
    except FileNotFoundError:
        raise
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, OverflowError) as wrong:
        raise Unopened(pack("the archive cannot be opened: {why}", why=wrong), is_refused=True) from None


def sheets_of(source: Source, budget: Budget | None = None, as_written: bool = False) -> list[Sheet]:
    """The sheets of a workbook. `as_written` gives formulas as they stand, not what they came to. Raises Unopened and Spent."""
    import openpyxl

    budget = Budget() if budget is None else budget
    with opened_archive(source) as archive:
        try:
            why = _too_large(archive) or _laden(archive)
        except (zipfile.BadZipFile, zlib.error, OSError, EOFError, NotImplementedError, RuntimeError) as wrong:
            why = pack("the workbook cannot be unpacked: {why}", why=wrong)
        if why:
            raise Unopened(why, is_refused=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about looks, and days that are none: these are read as they are
        try:
            book = openpyxl.load_workbook(_file(source), read_only=True, data_only=not as_written)
            with contextlib.closing(book):
                for sheet in book.worksheets:
                    sheet.reset_dimensions()  # what the file says of its size is not to be relied on
                return [Sheet(s.title, s.sheet_state != "visible", list(_rows(s, budget))) for s in book.worksheets]
        except (Spent, MemoryError):
            raise
        except Exception as wrong:  # a damaged workbook makes openpyxl raise almost anything
            raise Unopened(pack("the workbook cannot be opened: {why}", why=type(wrong).__name__)) from None


def _file(source: Source) -> Any:
    return io.BytesIO(source) if isinstance(source, bytes) else source


def _too_large(archive: zipfile.ZipFile) -> str:
    sheets = beside = many = whole = 0
    for member in archive.infolist():
        name, whole = member.filename.lower(), whole + member.file_size
        if "worksheets/" in name:
            sheets, many = sheets + member.file_size, many + name.endswith(".xml")
        elif name.endswith((".xml", ".rels")):
            beside += member.file_size
    if many > MOST_SHEETS:
        return pack("the workbook has more than {n} sheets", n=MOST_SHEETS)
    parts = (
        (marked("the sheets of the workbook would unpack to more than {most} MB"), sheets, MOST_OF_SHEETS),
        (marked("the texts and styles of the workbook would unpack to more than {most} MB"), beside, MOST_BESIDE),
        (marked("the parts of the workbook would unpack to more than {most} MB"), whole, 2 * MOST_OF_SHEETS),
    )
    for why, size, most in parts:
        if size > most:
            return pack(why, most=most // 2**20)
    return ""


def _laden(archive: zipfile.ZipFile) -> str:
    for member in archive.infolist():
        name = member.filename.lower()
        if name.endswith((".xml", ".rels")) and "worksheets/" not in name and "sharedstrings" not in name:
            xml = _in_plain(archive.read(member))
            if xml.count(b"<") > 2 * MOST_BESIDE_ELEMENTS:
                return pack("{part} in the workbook has more than {n} elements", part=member.filename, n=MOST_BESIDE_ELEMENTS)
            if has_many_attributes(xml):
                said = marked("{part} in the workbook has an element with more than {n} attributes")
                return pack(said, part=member.filename, n=MOST_ATTRIBUTES)
        else:
            most = MOST_TEXT_ELEMENTS if "sharedstrings" in name else MOST_ROW_ELEMENTS
            with archive.open(member) as stream:
                if _has_heavy_row(stream, most):
                    said = marked("{part} in the workbook has a row or a list of more than {n} elements")
                    return pack(said, part=member.filename, n=most)
    return ""


def _has_heavy_row(stream: IO[bytes], most: int) -> bool:
    """Whether a sheet has a row of more elements than that, or one element longer than any is, before anything parses it: the
    library holds a row as a whole."""
    many, left = 0, b""
    while piece := stream.read(_PIECE):
        whole, mark, left = (left + piece).rpartition(b"<")
        left = mark + left
        first, *rows = re.split(rb"<(?=(?:[\w.-]+:)?row\b)", whole)
        counts = [many + first.count(b"<"), *(1 + row.count(b"<") for row in rows)]
        if max(counts) > most or len(left) > 8 * _PIECE or re.search(rb"<[^<>]{65536}", whole):
            return True
        many = counts[-1]
    return False


def _in_plain(xml: bytes) -> bytes:
    """The same where `<` stands for itself."""
    is_seven = re.search(rb"utf-?7", xml[: xml.find(b"?>") + 1], re.IGNORECASE)
    return xml.decode("utf-7", "replace").encode() if is_seven else xml


def has_many_attributes(xml: bytes) -> bool:
    """Whether an element in it has more attributes than MOST_ATTRIBUTES, before anything parses it."""
    xml = _in_plain(xml)
    if xml.count(b"=") <= MOST_ATTRIBUTES:
        return False
    elements = xml.replace(b"\0", b"").split(b"<")
    return any(e.count(b"=") > MOST_ATTRIBUTES and _has_more(re.finditer(rb"=\s*[\"']", e), MOST_ATTRIBUTES) for e in elements)


def _has_more(found: Iterator[object], most: int) -> bool:
    return next(itertools.islice(found, most, None), None) is not None


def _rows(sheet: Any, budget: Budget) -> Iterator[tuple[int, list[Any]]]:
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        if number > MOST_ROWS:
            raise Spent(pack("it has a row beyond {n}", n=MOST_ROWS))
        filled = [i for i, value in enumerate(row) if value is not None] if row else []
        budget.spend(1 + len(row), len(filled))
        if filled:
            values = list(row[: min(filled[-1] + 1, MOST_COLUMNS)])
            beyond = " ".join(str(row[i]) for i in filled if i >= MOST_COLUMNS)
            yield number, [*values, beyond] if beyond else values
