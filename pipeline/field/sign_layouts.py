"""How signs are drawn: four plain layouts on A4, in millimetres from the lower left corner of each sign."""

from __future__ import annotations

import datetime as dt
import functools
import io
import math
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

from formpack.group_code import shown
from formpack.words import listed, marked, short_day, tr
from pipeline.field.printing import BOLD, FONT, use_fonts
from pipeline.harmless import one_line

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

HEADINGS = {
    "rootstock": marked("Rootstock"),
    "scion": marked("Scion"),
    "batch": marked("Budwood batch"),
    "seed_lot": marked("Seed lot"),
    "place": marked("Place"),
    "sown": marked("Sown on"),
    "planted": marked("Planted on"),
    "bagged": marked("Bagged on"),
    "budded": marked("Budded on"),
}
"""What a sign shows beside its code, with the word above it."""
_DAYS = ("sown", "planted", "bagged", "budded")
_MOST_NAMES = 3
"""Of more scions or batches than these a sign says how many there are."""
_PAGE = (210.0, 297.0)
_CAP = 0.729
"""Height of capitals and digits of the fonts, as a share of their size."""
_QUIET = 4
"""Blank modules round a QR code, as ISO/IEC 18004 asks."""
_INK, _GREY = 0.0, 0.35
_CUT = "…"
_LEAST = 1.9
"""No text is smaller: 5.4 points."""
_BLUE, _YELLOW = (0, 51 / 255, 153 / 255), (1, 204 / 255, 0)
"""The colours of the flag of the Union on screens; shape and colours after the graphics guide to the European emblem."""


@dataclass(frozen=True)
class Sign:
    """What one sign shows. `shows` has a text, names, a day as YYYY-MM-DD or None (a line to write on) for each of `HEADINGS`;
    of a passport its title, whether it has the flag, and the elements A to D."""

    code: str
    shows: dict[str, Any]


@dataclass(frozen=True)
class Kind:
    """A layout: the size of a sign, how many columns and rows of them a sheet has, and what it shows."""

    width: float
    height: float
    columns: int
    rows: int
    fields: tuple[str, ...]
    draw: Callable[[Canvas, Sign], None]


def can_show(text: str) -> bool:
    """Whether the fonts have all its letters, and they are written from left to right: others would come out wrong."""
    from reportlab.pdfbase.pdfmetrics import getFont
    from reportlab.pdfbase.ttfonts import TTFont

    use_fonts()
    faces = [font.face.charToGlyph for name in (FONT, BOLD) if isinstance(font := getFont(name), TTFont)]
    return all(
        unicodedata.bidirectional(c) not in ("R", "AL", "AN") and all(ord(c) in face for face in faces)
        for c in unicodedata.normalize("NFC", one_line(text))
    )


def _wide(text: str, size: float, font: str = BOLD) -> float:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, font, size))


def _broken(text: str, size: float, width: float) -> list[str]:
    """The text on two lines, parted at a blank where one is near the end of the first; what is still too long ends in dots."""

    def fits(said: str, ending: str = "") -> int:
        return next((n for n in range(len(said), 0, -1) if _wide(said[:n] + ending, size) <= width), 1)

    end = fits(text)
    if end < len(text) and (blank := text.rfind(" ", end // 2, end + 1)) > 0:
        end = blank
    first, second = text[:end].rstrip(), text[end:].lstrip()
    if _wide(second, size) > width:
        second = second[: fits(second, _CUT)].rstrip() + _CUT
    return [first, second] if second else [first]


def _words(
    canvas: Canvas, x: float, top: float, width: float, height: float, text: str, size: float, is_right: bool = False
) -> None:
    """A text in a box, as large as `size` and the box allow on one line or on two; one that is too long even so is cut."""
    text = unicodedata.normalize("NFC", one_line(text))
    lines = [text]
    for share in (1, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4):
        used = max(size * share, _LEAST)
        if _wide(text, used) <= width:
            break
        if used * 2.2 <= height and not (lines := _broken(text, used, width))[-1].endswith(_CUT):
            break
    canvas.setFont(BOLD, used)
    for number, line in enumerate(lines):
        y = top - used * (0.85 + 1.12 * number)
        if is_right:
            canvas.drawRightString(x + width, y, line)
        else:
            canvas.drawString(x, y, line)


def _said(name: str, value: Any) -> str:
    if isinstance(value, list):
        return listed(value, _MOST_NAMES)
    return short_day(dt.date.fromisoformat(value)) if name in _DAYS else str(value)


def _cell(canvas: Canvas, sign: Sign, name: str, x: float, top: float, width: float, height: float) -> None:
    """A heading, and what is known under it or a line to write on."""
    head = min(3.2, height * 0.24)
    canvas.setFillGray(_GREY)
    canvas.setFont(FONT, min(head, head * width / _wide(tr(HEADINGS[name]), head, FONT)))
    canvas.drawString(x, top - head, tr(HEADINGS[name]))
    canvas.setFillGray(_INK)
    value = sign.shows[name]
    if value:
        _words(canvas, x, top - head * 1.35, width, height - head * 1.4, _said(name, value), height * 0.44)
    else:
        canvas.line(x, top - height * 0.9, x + width, top - height * 0.9)


def _cells(
    canvas: Canvas, sign: Sign, names: Sequence[str], x: float, top: float, width: float, height: float, gap: float = 4
) -> None:
    """Fields beside each other, alike in width."""
    step = (width + gap) / len(names)
    for number, name in enumerate(names):
        _cell(canvas, sign, name, x + number * step, top, step - gap, height)


@functools.lru_cache(maxsize=1)
def _modules(code: str) -> tuple[bytearray, ...]:
    """The rows of the QR code of eight digits: numeric, error correction Q (a quarter of it may be lost)."""
    import segno

    return tuple(segno.make_qr(code, mode="numeric", error="q", boost_error=False).matrix)


def _square(canvas: Canvas, code: str, x: float, y: float, side: float) -> None:
    """The QR code of the eight digits, quiet zone within `side`, as one path: rectangles of a row merged."""
    modules = _modules(code)
    module = side / (len(modules) + 2 * _QUIET)
    canvas.saveState()
    canvas.translate(x, y + side)
    canvas.scale(module, -module)
    path = canvas.beginPath()
    for row, bits in enumerate(modules, start=_QUIET):
        left = _QUIET
        for is_dark, run in groupby(bits):
            wide = len(list(run))
            if is_dark:
                path.rect(left, row, wide, 1)
            left += wide
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()


def _square_and_digits(canvas: Canvas, code: str, x: float, y: float, side: float) -> None:
    """The QR code with the digits beneath it, where the phone's forms say that they are."""
    size = side * 0.13
    _square(canvas, code, x, y + size * 0.85, side)
    canvas.setFont(BOLD, size)
    canvas.drawCentredString(x + side / 2, y + size * 0.1, shown(code))


def _code(canvas: Canvas, sign: Sign, x: float, top: float, size: float) -> None:
    canvas.setFont(BOLD, size)
    canvas.drawString(x, top - size * _CAP, shown(sign.code))


def _sheet(canvas: Canvas, sign: Sign) -> None:
    """Half an A4 sheet; digits 21 mm high, for two metres: 1 mm for each 100 to 200 mm of distance is common practice, with no
    published source."""
    _code(canvas, sign, 12, 137, 29)
    _cells(canvas, sign, ("rootstock", "scion"), 12, 110, 186, 17)
    for number, names in enumerate((("batch",), ("seed_lot",), ("place",), ("sown", "planted"), ("bagged", "budded"))):
        _cells(canvas, sign, names, 12, 92.5 - 17 * number, 106, 16)
    _square_and_digits(canvas, sign.code, 122, 8, 77)


def _stake(canvas: Canvas, sign: Sign) -> None:
    """190 x 50 mm; digits 13 mm high."""
    _square_and_digits(canvas, sign.code, 2, 2, 42)
    _code(canvas, sign, 48, 46.5, 18)
    for number, names in enumerate(
        (("rootstock", "scion"), ("batch", "seed_lot", "place"), ("sown", "planted", "bagged", "budded"))
    ):
        _cells(canvas, sign, names, 48, 30.5 - 9.7 * number, 138, 9.2, 3)


def _tree(canvas: Canvas, sign: Sign) -> None:
    """190 x 20 mm; the last 30 mm stay blank but for a word in small, to close the loop on."""
    _square_and_digits(canvas, sign.code, 1.5, 1.2, 16)
    _code(canvas, sign, 20, 13.5, 9.6)
    _cells(canvas, sign, ("rootstock", "scion"), 86, 19, 72, 8.6, 3)
    _cells(canvas, sign, ("batch",), 86, 9.7, 72, 8.6)
    canvas.line(160, 2, 160, 18)
    canvas.setFillGray(_GREY)
    canvas.setFont(FONT, 2.4)
    canvas.drawCentredString(175, 9, tr("loop"))
    canvas.setFillGray(_INK)


def _flag(canvas: Canvas, x: float, y: float, height: float) -> None:
    """Twelve five-pointed stars in a circle on blue, points up; 3 wide to 2 high. The radius of the circle is a third of the
    height, that of the circle round each star an eighteenth."""
    canvas.saveState()
    canvas.setFillColorRGB(*_BLUE)
    canvas.rect(x, y, height * 1.5, height, stroke=0, fill=1)
    canvas.setFillColorRGB(*_YELLOW)
    path, outer = canvas.beginPath(), height / 18
    inner = outer * math.sin(math.pi / 10) / math.sin(3 * math.pi / 10)
    for star in range(12):
        turn = star * math.pi / 6
        middle = (x + height * 0.75 + height / 3 * math.sin(turn), y + height / 2 + height / 3 * math.cos(turn))
        for corner in range(10):
            far, angle = (inner if corner % 2 else outer), corner * math.pi / 5
            at = (middle[0] + far * math.sin(angle), middle[1] + far * math.cos(angle))
            path.lineTo(*at) if corner else path.moveTo(*at)
        path.close()
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()


def _passport(canvas: Canvas, sign: Sign) -> None:
    """90 x 54 mm, the elements of Regulation (EU) 2016/2031, Annex VII Part A, in a border, and nothing else."""
    canvas.setStrokeGray(_INK)
    canvas.setLineWidth(0.4)
    canvas.rect(3, 3, 84, 48)
    shows = sign.shows
    if shows["flag"]:
        _flag(canvas, 6, 38, 10)
    _words(canvas, 24, 48, 60, 10, shows["title"], 4.6, is_right=True)
    _words(canvas, 6, 35.5, 78, 8, f"A. {shows['A']}", 4)
    for number, name in enumerate("BCD"):
        _words(canvas, 6, 25.5 - 7.2 * number, 50, 6.5, f"{name}. {shows[name]}", 4)
    _square(canvas, sign.code, 60, 4, 24)


_ALL = tuple(HEADINGS)
KINDS = {
    "sheet": Kind(210, 148.5, 1, 2, _ALL, _sheet),
    "stake": Kind(190, 50, 1, 5, _ALL, _stake),
    "tree": Kind(190, 20, 1, 13, ("rootstock", "scion", "batch"), _tree),
    "passport": Kind(90, 54, 2, 5, (), _passport),
}


def sheets(kind: str, signs: int) -> int:
    """How many A4 sheets so many signs take."""
    return -(-signs // (KINDS[kind].columns * KINDS[kind].rows))


def _cutting_lines(canvas: Canvas, of: Kind, row: int, column: int) -> None:
    """Dashes along the edges of a sign, each edge once, and none along those of the paper."""
    canvas.setStrokeGray(_GREY)
    canvas.setLineWidth(0.15)
    canvas.setDash(2, 2)
    right, top = of.width, of.height
    edges = [(0.0, top, right, top)] * (row == 0) + [(0.0, 0.0, right, 0.0)]
    edges += [(0.0, 0.0, 0.0, top)] * (column == 0) + [(right, 0.0, right, top)]
    if right == _PAGE[0]:
        edges = [(0.0, 0.0, right, 0.0)] * (row < of.rows - 1)
    for edge in edges:
        canvas.line(*edge)
    canvas.setDash()
    canvas.setLineWidth(0.25)


def draw(kind: str, signs: Sequence[Sign], title: str) -> bytes:
    """The signs as one PDF, with dashed lines to cut along. The same signs make the same bytes."""
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    use_fonts()
    of, made = KINDS[kind], io.BytesIO()
    canvas = Canvas(made, pagesize=(_PAGE[0] * mm, _PAGE[1] * mm), pageCompression=1, invariant=1)
    canvas.setTitle(one_line(title))
    canvas.setAuthor("formpack")
    left, above = (_PAGE[0] - of.columns * of.width) / 2, (_PAGE[1] - of.rows * of.height) / 2
    on_sheet = of.columns * of.rows
    for first in range(0, len(signs), on_sheet):
        canvas.scale(mm, mm)
        for number, sign in enumerate(signs[first : first + on_sheet]):
            row, column = divmod(number, of.columns)
            canvas.saveState()
            canvas.translate(left + column * of.width, _PAGE[1] - above - (row + 1) * of.height)
            _cutting_lines(canvas, of, row, column)
            of.draw(canvas, sign)
            canvas.restoreState()
        canvas.showPage()
    canvas.save()
    return made.getvalue()
