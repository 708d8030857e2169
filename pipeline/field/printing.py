"""What is printed for the benches as PDF: A4 sheets of text and tables, in letters that all three languages have."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from formpack.words import number, short_day, tr
from pipeline.harmless import one_line

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import Flowable

FONT, BOLD = "DejaVu", "DejaVu-Bold"
MARGIN_MM = 14.0


def use_fonts() -> None:
    """Make `FONT` and `BOLD` known to the PDF library; only the letters used go into a file."""
    import matplotlib
    from reportlab.pdfbase.pdfmetrics import getRegisteredFontNames, registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    if FONT not in getRegisteredFontNames():
        folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        registerFont(TTFont(FONT, folder / "DejaVuSans.ttf"))
        registerFont(TTFont(BOLD, folder / "DejaVuSans-Bold.ttf"))
        registerFontFamily(FONT, normal=FONT, bold=BOLD, italic=FONT, boldItalic=BOLD)


def words(
    text: str, size: float = 9, bold: bool = False, after_mm: float = 0, keep: bool = False, is_right: bool = False
) -> Flowable:
    """A paragraph; what people wrote in it is text and no markup. `keep` holds it to what follows."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.lib.units import mm
    from reportlab.platypus import Paragraph

    use_fonts()
    style = ParagraphStyle(
        "words",
        fontName=BOLD if bold else FONT,
        fontSize=size,
        leading=size * 1.25,
        spaceAfter=after_mm * mm,
        keepWithNext=keep,
        splitLongWords=1,
        alignment=2 if is_right else 0,
    )
    return Paragraph(escape(one_line(text), quote=False), style)


def _shown(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return ""
    if isinstance(value, (int, float)):
        return number(value)
    return value if isinstance(value, str) else short_day(value)


def grid(heads: Sequence[str], rows: Sequence[Sequence[Any]], widths_mm: Sequence[float], line_mm: float = 7) -> Flowable:
    """A table with lines to write in; its heads come again on each sheet. Numbers and days stand as the language has them,
    None is an empty cell, and a text with line breaks has lines."""
    from reportlab.lib.colors import HexColor
    from reportlab.lib.units import mm
    from reportlab.platypus import Table

    right = [{type(r[i]) for r in rows} <= {int, type(None)} and any(r[i] is not None for r in rows) for i in range(len(heads))]
    body = [
        [[words(line, 8.5, is_right=at) for line in _shown(v).splitlines()] or "" for v, at in zip(row, right, strict=True)]
        for row in rows
    ]
    table = Table(
        [[words(h, 8, bold=True, is_right=at) for h, at in zip(heads, right, strict=True)], *body],
        colWidths=[w * mm for w in widths_mm],
        repeatRows=1,
        hAlign="LEFT",
    )
    styles: list[Any] = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor("#22312a")),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor("#8b978e")),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("VALIGN", (0, 1), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 1), (-1, -1), max(1.0, (line_mm - 4.2) * mm)),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
    ]
    table.setStyle(styles)
    return table


def gap(height_mm: float) -> Flowable:
    """Room between two blocks."""
    from reportlab.lib.units import mm
    from reportlab.platypus import Spacer

    return Spacer(1, height_mm * mm)


def write_sheets(path: Path, title: str, parts: Sequence[tuple[str, Sequence[Flowable]]]) -> None:
    """Parts, each a foot and its blocks (`words`, `grid`), on as many A4 sheets as they need; a part begins on a sheet of its
    own, and each of its sheets has its number and the foot beneath. The same blocks make the same bytes."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.pdfbase.pdfmetrics import stringWidth
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import BaseDocTemplate, Frame, NextPageTemplate, PageBreak, PageTemplate

    use_fonts()
    margin = MARGIN_MM * mm

    def under(foot: str, canvas: Canvas, document: Any) -> None:
        foot = one_line(foot)
        while stringWidth(foot, FONT, 7.5) > A4[0] - 2 * margin - 30 * mm:
            foot = foot.rstrip("…")[:-1] + "…"
        canvas.setFont(FONT, 7.5)
        canvas.drawString(margin, 9 * mm, foot)
        canvas.drawRightString(A4[0] - margin, 9 * mm, tr("sheet {n}", n=document.page))

    document = BaseDocTemplate(
        str(path),
        pagesize=A4,
        leftMargin=margin,
        rightMargin=margin,
        topMargin=margin,
        bottomMargin=16 * mm,
        title=one_line(title),
        author="formpack",
        invariant=1,
    )
    story: list[Flowable] = []
    for turn, (foot, blocks) in enumerate(parts):
        frame = Frame(document.leftMargin, document.bottomMargin, document.width, document.height)
        document.addPageTemplates(PageTemplate(str(turn), [frame], onPage=partial(under, foot)))
        story += [NextPageTemplate(str(turn)), PageBreak(), *blocks] if story else blocks
    document.build(story, canvasmaker=partial(Canvas, invariant=1))
