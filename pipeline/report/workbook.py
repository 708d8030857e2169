"""The report as a workbook: a cover with what the page says first, the chapters of the page, what the columns of tables mean,
and the tables of the contract."""

from __future__ import annotations

import datetime as dt
import math
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.cell import WriteOnlyCell
from openpyxl.chart import BarChart, LineChart, Reference, Series
from openpyxl.chart.axis import DateAxis
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.chart.text import RichText
from openpyxl.chart.text import Text as ChartText
from openpyxl.chart.title import Title
from openpyxl.drawing.line import LineProperties
from openpyxl.drawing.spreadsheet_drawing import AnchorMarker, TwoCellAnchor
from openpyxl.drawing.text import CharacterProperties, Paragraph, ParagraphProperties, RegularTextRun
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter, quote_sheetname
from openpyxl.worksheet.page import PageMargins
from openpyxl.worksheet.table import Table as ExcelTable
from openpyxl.worksheet.table import TableStyleInfo

from formpack.group_code import is_group_code, shown
from formpack.words import many, short_month, tr, unpacked
from pipeline.harmless import legal
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Figures, Fold, Head, Items, Pictures, Says, Table
from pipeline.report.columns import column_says
from pipeline.store import Store
from pipeline.tables import TABLES, answer_tables, in_order, plain_cell

MOST_ROWS = 20_000
"""Rows of a table that a sheet shows; a spreadsheet opens more slowly than anybody wants, and takes 1,048,576 at most."""
_SHARES = set(
    """
    take_rate adjusted adjusted_low adjusted_high p_wrong survival se share cumulative exact_share confidence
    lost_share survival_recorded share_recorded published_low published_high chance_enough rounded_share
    agrees_with_shown agrees_by_chance
    """.split()
)
_SHARES_IN = {"take_rates", "teams", "survival", "loss_causes", "timeliness", "off_type"}
"""Tables whose low, high and difference are shares too."""
_WIDE = {
    "message": 70,
    "advice": 60,
    "instance_id": 44,
    "instance_ids": 44,
    "source": 30,
    "level": 22,
    "finding": 60,
    "note": 40,
}
_BROKEN = ("message", "advice", "finding")
"""Columns whose texts are broken over lines."""
_FORMATS = {
    "number": "#,##0",
    "decimal": "#,##0.0",
    "share": "0.0%",
    "points": "+0.0;-0.0;0.0",
    "money": "#,##0",
    "day": "d mmm yyyy",
    "month": "mmm yyyy",
}
_CODES = ("group_code", "other_group")
_TEXT, _BESIDE_NUMBERS, _MOST_WIDE, _MOST_LINES = 24, 36, 62, 5
"""Letters of a column of texts: what it has in any case, at most where another table has numbers,
and at most; and lines of a text that call for a page that lies."""
_INK, _SOFT, _LEAF, _ALARM, _PALE, _ODD = "22312A", "4A574F", "2F5540", "8A2F1D", "D9E4CF", "FBF0D9"
_PLAIN = Font(name="Calibri", color=_INK)
_TITLE = Font(name="Calibri", size=16, bold=True, color=_LEAF)
_HEAD = Font(name="Calibri", size=12, bold=True, color=_INK)
_BOLD = Font(name="Calibri", bold=True, color=_INK)
_TONES = {"soft": Font(name="Calibri", color=_SOFT, italic=True), "stop": Font(name="Calibri", color=_ALARM, bold=True)}
_BIG = Font(name="Calibri", size=18, bold=True, color=_LEAF)
_LINK = Font(name="Calibri", color=_LEAF, underline="single")
_WRAP, _WRAP_RIGHT = (Alignment(wrap_text=True, vertical="top", horizontal=side) for side in ("left", "right"))
_TOP, _TOP_LEFT = Alignment(vertical="top"), Alignment(vertical="top", horizontal="left")
_FILL, _MARKED = PatternFill("solid", fgColor=_PALE), PatternFill("solid", fgColor=_ODD)
_ABOVE, _BELOW = Border(top=Side(style="thin", color=_INK)), Border(bottom=Side(style="hair", color=_SOFT))
_STYLE = TableStyleInfo(name="TableStyleLight1", showRowStripes=False)
_POINTS = 15
"""Points of a row."""
_LINE, _WIDE_LINE = 100, 165
"""Letters that a line of an upright page, and of one that lies, has room for."""
_CHART_LETTERS, _GAP = 64, 90_000
"""Letters of the columns that a chart covers, and the gap beside it in the units of the spreadsheet (360,000 a centimetre)."""
_COVER = (80, 18, 28)
"""Letters of the columns of the cover: what to do, what is at stake, and the sheet that says more."""
_PRINTED = 40
"""Rows of a table of the contract that are printed."""


def write_workbook(store: Store | None, path: Path, first: Chapter, chapters: Sequence[Chapter]) -> None:
    """The cover, one sheet a chapter; of a store, too, the sheet of columns and one sheet a table of the contract. No text is
    one that a spreadsheet would run."""
    book = openpyxl.Workbook(write_only=True)
    titles = _sheet_titles([first, *chapters], tr("columns"), TABLES if store else ())
    for chapter in (first, *chapters):
        sheet = _Sheet(book.create_sheet(titles[chapter.name]), titles, is_cover=chapter is first)
        sheet.chapter(chapter, [(c.title, titles[c.name]) for c in chapters] if chapter is first else ())
    if store:
        shown_tables = {name: columns for name, (_, columns) in TABLES.items()} | answer_tables(store)
        _write_columns(book.create_sheet(titles[""]))
        for name, columns in shown_tables.items():
            _write_table(store, book.create_sheet(name[:31]), name, columns)
    book.save(path)


def _sheet_titles(chapters: Iterable[Chapter], columns: str, tables: Iterable[str]) -> dict[str, str]:
    """Names of sheets by names of chapters, and that of the sheet of columns by ''; none twice, none that a table has."""
    taken, found = {name[:31].lower() for name in tables}, {}
    for name, title in [*((c.name, c.title) for c in chapters), ("", columns)]:
        plain = re.sub(r"[\[\]:*?/\\']", " ", legal(title)).strip()[:31].strip() or name
        said, number = plain, 2
        while said.lower() in taken or said.lower().startswith("answers_"):
            said, number = f"{plain[:27]} {number}", number + 1
        taken.add(said.lower())
        found[name] = said
    return found


def _text(value: str) -> str:
    said = str(plain_cell(unpacked(value)))
    return shown(said) if is_group_code(said) else said


class _Sheet:
    """A sheet that is written downwards."""

    def __init__(self, sheet: Any, titles: dict[str, str], is_cover: bool) -> None:
        self.sheet, self.titles, self.is_cover = sheet, titles, is_cover
        self.row = 0
        self.widths: list[int] = []
        self.explained: set[str] = set()
        """Heads of columns that the sheet has explained."""
        self.headed: set[str] = set()
        """What stands over something on the sheet: none of it twice."""
        self.head_rows: list[int] = []

    def chapter(self, chapter: Chapter, contents: Sequence[tuple[str, str]]) -> None:
        blocks = _left(chapter.blocks)
        self.widths = list(_COVER) if self.is_cover else _widths(list(_tables(blocks)))
        for position, width in enumerate(self.widths, start=1):
            self.sheet.column_dimensions[get_column_letter(position)].width = width
        self.sheet.sheet_view.showGridLines = False
        self.sheet.freeze_panes = "A2"
        _on_paper(self.sheet, is_wide=not self.is_cover and sum(self.widths) > _LINE + 15, is_one_page=self.is_cover)
        self._line(chapter.title, _TITLE)
        if chapter.says and not (blocks and isinstance(blocks[0], Says) and blocks[0].text == chapter.says):
            self._line(chapter.says, _BOLD)
        self.headed = {chapter.title, chapter.says}
        self._blocks(blocks)
        if self.is_cover:
            self.sheet.print_area = f"A1:{get_column_letter(len(self.widths))}{self.row}"
        if len(self.head_rows) == 1:
            self.sheet.print_title_rows = f"{self.head_rows[0]}:{self.head_rows[0]}"
        if contents:
            self._line("")
            self._line(tr("In this workbook"), _HEAD)
            for title, sheet in contents:
                self._line(title, _LINK, f"#{quote_sheetname(sheet)}!A1")

    def _append(self, cells: list[Any], lines: int = 1) -> None:
        self.row += 1
        if lines > 1:
            self.sheet.row_dimensions[self.row].height = _POINTS * lines
        self.sheet.append(cells)

    def _cell(self, value: Any, font: Font | None = None) -> Any:
        cell = WriteOnlyCell(self.sheet, value)
        if isinstance(value, str):
            cell.data_type, cell.quotePrefix = "s", value.startswith(("=", "+", "-", "@"))
        if font:
            cell.font = font
        return cell

    def _line(self, text: str, font: Font | None = None, href: str = "") -> None:
        """A sentence over as many columns as make up a line."""
        said, font = _text(text), font or _PLAIN
        cell = self._cell(said, font)
        if href:
            cell.hyperlink = href
            cell.font = font
        span, room = 1, self.widths[0]
        while not self.is_cover and room < _LINE and span < len(self.widths):
            room += self.widths[span]
            span += 1
        if span > 1 and said:
            self.sheet.merged_cells.ranges.add(f"A{self.row + 1}:{get_column_letter(span)}{self.row + 1}")
        cell.alignment = _WRAP
        self._append([cell], _lines(said, room) if font is not _TITLE else 2)

    def _head(self, text: str, font: Font) -> None:
        self._append([])
        if text not in self.headed:
            self.headed.add(text)
            self._line(text, font)

    def _blocks(self, blocks: Iterable[Block]) -> None:
        for block in blocks:
            if isinstance(block, Says):
                self._line(block.text, _TONES.get(block.tone))
            elif isinstance(block, Head):
                self._head(block.text, _HEAD)
            elif isinstance(block, Drawing) and block.head:
                self._head(block.head, _HEAD)
                self._line(block.text)
            elif isinstance(block, Fold):
                self._head(block.title, _HEAD)
                self._blocks(block.blocks)
            elif isinstance(block, Figures):
                self._figures(block)
            elif isinstance(block, Items):
                self._items(block)
            elif isinstance(block, Pictures):
                for picture in block.pictures:
                    self._line(f"{picture.says} ({picture.name})")
            elif isinstance(block, Table):
                self._table(block)

    def _figures(self, figures: Figures) -> None:
        """Each figure, and below it what it lies within and how it changed, a sentence a row."""
        for figure in figures.figures:
            value = self._cell(_text(figure.value_text), _BIG)
            label = self._cell(_text(figure.label), _BOLD)
            value.alignment, label.alignment = Alignment(horizontal="right"), Alignment(vertical="bottom")
            self._append([label, value], 2)
            for said in filter(None, (figure.interval_text, *figure.changes)):
                self._line(said, _TONES["soft"])

    def _items(self, items: Items) -> None:
        self._append([])
        for item in items.items:
            said, stake = _text(item.text), _text(item.stake_text)
            cell, at_stake = self._cell(said), self._cell(stake, _BOLD)
            sheet = self.titles.get(item.href.removeprefix("#"), "")
            link = self._cell(sheet)  # of its own: a spreadsheet does not break a link over lines
            if sheet:
                link.hyperlink = f"#{quote_sheetname(sheet)}!A1"
            cell.font, cell.alignment, at_stake.alignment = _TONES.get(item.tone, _PLAIN), _WRAP, _WRAP_RIGHT
            link.font, link.alignment = _LINK, Alignment(vertical="top", indent=1, horizontal="left")
            cell.border = at_stake.border = link.border = _BELOW
            self._append([cell, at_stake, link], max(_lines(said, self.widths[0]), _lines(stake, self.widths[1] - 2)))

    def _table(self, table: Table) -> None:
        self._head(table.caption, _BOLD)
        heads = _unlike([_text(column.head) for column in table.columns])
        cells = [self._cell(head, _BOLD) for head in heads]
        for position, (cell, column) in enumerate(zip(cells, table.columns, strict=True)):
            cell.fill = _FILL
            is_left = _is_words(column) or (position == 0 and column.kind in ("day", "month"))
            cell.alignment = Alignment(
                wrap_text=True,
                vertical="bottom",
                horizontal="left" if is_left else "right",
                indent=int(is_left and position > 0),
            )
        self._append(cells, max(_lines(head, width - 2) for head, width in zip(heads, self.widths, strict=False)))
        first = self.row
        self.head_rows.append(first)
        for position, row in enumerate(table.rows):
            made = self._values(row, table)
            if position in table.marked:
                for cell in made:
                    cell.fill = _MARKED
            self._append(made, self._height(made))
        _as_table(self.sheet, table.name, heads, first, self.row)
        last = self.row
        if table.total:
            made = self._values(table.total, table)
            for cell in made:
                cell.font, cell.border = _BOLD, _ABOVE
            self._append(made, self._height(made))
        self._explain(table)
        if table.plotted and len(table.rows) > 1:
            self._draw(table, first, last)

    def _explain(self, table: Table) -> None:
        """What heads mean that are too short, each once in a sheet."""
        heads: dict[str, list[str]] = {}
        for column in table.columns:
            if column.says:
                heads.setdefault(_text(column.says), []).append(_text(column.head))
        for says, of in heads.items():
            said = f"{', '.join(of)}: {says}"
            if said not in self.explained:
                self.explained.add(said)
                self._line(said, _TONES["soft"])

    def _height(self, cells: Sequence[Any]) -> int:
        """Lines of a row."""
        texts = (
            (c.value, width - 2 * c.alignment.indent)
            for c, width in zip(cells, self.widths, strict=False)
            if isinstance(c.value, str)
        )
        return max((_lines(text, width) for text, width in texts), default=1)

    def _values(self, row: Sequence[Any], table: Table) -> list[Any]:
        return [self._value(v, c, i > 0) for i, (v, c) in enumerate(zip(row, table.columns, strict=True))]

    def _value(self, given: Any, column: Column, is_indented: bool) -> Any:
        value = given.value if isinstance(given, Cell) else given
        if isinstance(given, Cell) and value is None:
            value = given.text
        if isinstance(value, str):
            cell = self._cell(_text(value))
            side = "left" if _is_words(column) else "right"
            cell.alignment = Alignment(
                wrap_text=True, vertical="top", horizontal=side, indent=int(is_indented and side == "left")
            )
        else:
            is_points = column.kind == "points" and value is not None
            cell = self._cell(100 * value if is_points else value)
            cell.alignment = _TOP_LEFT if isinstance(value, dt.date) and not is_indented else _TOP
            if value is not None:
                cell.number_format = _FORMATS.get(column.kind, "General")
            if _goes_on(given):
                more = given.text.removeprefix(short_month(value)).replace(chr(34), "")
                cell.number_format += f'"{more}"'
        if isinstance(given, Cell) and given.is_marked:
            cell.font = _TONES["stop"]
        if isinstance(given, Cell) and given.shade is not None:
            cell.fill = PatternFill("solid", fgColor=_shaded(given.shade))
        return cell

    def _draw(self, table: Table, head: int, last: int) -> None:
        """A chart of the spreadsheet's own for each column: beside its table where the sheet has room, else below it."""
        begins = [sum(self.widths[:position]) for position in range(len(self.widths) + 1)]
        letters = min(_CHART_LETTERS, sum(self.widths) // len(table.plotted))
        is_beside = begins[min(len(table.columns), len(begins) - 1)] + letters * len(table.plotted) <= sum(self.widths)
        row, left = (head, begins[len(table.columns)]) if is_beside else (self.row + 1, 0)
        for column in table.plotted:
            chart, rows = self._chart(table, column, head, last)
            corners = [min(range(len(begins)), key=lambda i: abs(begins[i] - at)) for at in (left, left + letters)]
            left = begins[corners[1]]
            self.sheet.add_chart(chart)
            chart.anchor = TwoCellAnchor(
                editAs="oneCell",
                _from=AnchorMarker(col=corners[0], row=row, colOff=_GAP),
                to=AnchorMarker(col=corners[1], row=row + rows),
            )
            while self.row <= row + rows:
                self._append([])

    def _chart(self, table: Table, column: int, head: int, last: int) -> tuple[Any, int]:
        """The chart, and how many rows high it is."""
        over_time, is_share = table.columns[0].kind == "month", table.columns[column].kind == "share"
        chart: Any = LineChart() if over_time or is_share else BarChart()
        whole = [head + 1 + i for i, row in enumerate(table.rows) if not (over_time and _goes_on(row[0]))]
        first, last = (whole[0], whole[-1]) if whole else (head + 1, last)
        values = Reference(self.sheet, min_col=column + 1, min_row=first, max_row=last)
        series = Series(values, title=_text(table.columns[column].head))
        chart.series.append(series)
        chart.set_categories(Reference(self.sheet, min_col=1, min_row=first, max_row=last))
        chart.x_axis.delete = chart.y_axis.delete = False
        chart.y_axis.number_format = "0%" if is_share else "#,##0"
        if over_time:
            chart.x_axis = DateAxis(crossAx=100, majorTimeUnit="months")
            chart.x_axis.delete, chart.x_axis.number_format = False, "mmm yyyy"
            chart.y_axis.crossAx = 500
            chart.y_axis.scaling.min = 0
            series.graphicalProperties.line.solidFill = _LEAF
            series.smooth = False
        elif is_share:
            series.marker.symbol, series.marker.size = "circle", 9
            series.marker.graphicalProperties = GraphicalProperties(solidFill=_LEAF, ln=LineProperties(solidFill=_LEAF))
            series.graphicalProperties.line.noFill = True
        else:
            series.graphicalProperties.solidFill = _LEAF
            chart.type, chart.gapWidth = "bar", 40
            chart.y_axis.scaling.min, chart.y_axis.majorUnit = 0, _unit(table, column)
            chart.x_axis.scaling.orientation, chart.y_axis.crosses = "maxMin", "max"
        caption = _text(table.caption if len(table.plotted) == 1 else table.columns[column].head)
        chart.title, chart.legend = _chart_title(caption), None
        chart.y_axis.majorGridlines.spPr = GraphicalProperties(ln=LineProperties(solidFill="D9E0D9"))
        is_bars = not (over_time or is_share)
        return chart, min(26, 5 + len(table.rows)) if is_bars else 14


def _unit(table: Table, column: int) -> float | None:
    """The step of an axis that has four or so."""
    values = [v for v in (r[column].value if isinstance(r[column], Cell) else r[column] for r in table.rows) if v]
    if not values or max(values) <= 0:
        return None
    ten = 10.0 ** math.floor(math.log10(max(values) / 4))
    return max(1.0, next(ten * step for step in (1, 2, 5, 10) if max(values) <= 5 * ten * step))


def _chart_title(text: str) -> Any:
    """A title no larger than a head of the sheet."""
    looks = CharacterProperties(sz=1100, b=True)
    paragraph = Paragraph(pPr=ParagraphProperties(defRPr=looks), r=[RegularTextRun(rPr=looks, t=text[:80])])
    return Title(tx=ChartText(rich=RichText(p=[paragraph])), overlay=False)


def _goes_on(month: Any) -> bool:
    """Whether a month is shown with more words: it is not over, and is not drawn beside whole ones."""
    is_month = isinstance(month, Cell) and isinstance(month.value, dt.date)
    return is_month and month.text.startswith(short_month(month.value)) and month.text != short_month(month.value)


def _left(blocks: Iterable[Block]) -> list[Block]:
    """What a sheet has of blocks: no drawings, no heads and folds with nothing left in them."""
    found: list[Block] = []
    of_drawing = False
    for block in blocks:
        if found and isinstance(found[-1], Head) and (of_drawing or isinstance(block, Head)):
            found.pop()
        of_drawing = isinstance(block, Drawing)
        if isinstance(block, Fold):
            inner = _left(block.blocks)
            is_drawn = any(isinstance(b, Drawing) for b in block.blocks)
            if any(not isinstance(b, Head) and not (is_drawn and isinstance(b, Says)) for b in inner):
                found.append(Fold(block.title, inner))
        elif not isinstance(block, Drawing) and not (isinstance(block, Table) and not block.rows):
            found.append(block)
    if found and isinstance(found[-1], Head):
        found.pop()
    return found


def _widths(tables: Sequence[Table]) -> list[int]:
    """Letters that each column has room for. Long texts are broken over lines, and get what is left of the width of a page."""
    found: list[int] = []
    longest: list[int] = []
    whole: list[int] = []
    for table in tables:
        for position, column in enumerate(table.columns):
            rows = (*table.rows, *([table.total] if table.total else ()))
            letters = max([len(_seen(row[position], column)) for row in rows], default=0) + 3
            word = max((len(word) for word in _text(column.head).split()), default=0) + 4
            while len(found) <= position:
                found.append(9)
                longest.append(0)
                whole.append(0)
            found[position] = max(found[position], word, min(letters, _TEXT))
            whole[position] = max(whole[position], letters)
            longest[position] = max(longest[position], min(letters, _MOST_WIDE))
    for position in {i for table in tables for i, column in enumerate(table.columns) if not _is_words(column)}:
        longest[position] = min(longest[position], _BESIDE_NUMBERS)
        whole[position] = 0
    is_wide = sum(found) > _LINE or any(whole[i] > _MOST_LINES * found[i] for i in range(len(found)))
    room = _WIDE_LINE if is_wide else _LINE
    while long := [i for i, width in enumerate(found) if width < longest[i]]:
        if sum(found) + len(long) > room:
            break
        for i in long:
            found[i] += 1
    while sum(found) < _LINE:
        found.append(min(12, max(2, _LINE - sum(found))))
    return found


def _seen(given: Any, column: Column) -> str:
    """How a value is shown, or about as long as that."""
    if isinstance(given, Cell):
        if given.value is None or isinstance(given.value, dt.date):
            return _text(given.text)
        given = given.value
    if given is None or isinstance(given, str):
        return _text(given or "")
    if isinstance(given, int | float):
        return {"share": "100.0%", "points": "+10.0", "decimal": f"{given:,.1f}"}.get(column.kind, f"{given:,.0f}")
    return "30 Sep 2026" if column.kind == "day" else "Sep 2026"


def _lines(text: str, width: int) -> int:
    """Lines that a text takes in a column."""
    return max(1, len(textwrap.wrap(text, max(4, int(1.08 * width)))))


def _tables(blocks: Iterable[Block]) -> Iterator[Table]:
    for block in blocks:
        if isinstance(block, Table):
            yield block
        elif isinstance(block, Fold):
            yield from _tables(block.blocks)


def _is_words(column: Column) -> bool:
    return column.kind in ("text", "code")


def _shaded(shade: float) -> str:
    """A green from white to the colour of leaves that black letters can be read on."""
    parts = [round(255 - (255 - dark) * 0.55 * min(1.0, max(0.0, shade))) for dark in (0x3F, 0x6B, 0x4F)]
    return "".join(f"{part:02X}" for part in parts)


def _unlike(heads: Sequence[str]) -> list[str]:
    """The heads, each said once: the table of a spreadsheet wants its columns to have names of their own."""
    found: list[str] = []
    for head in heads:
        said, number = head or " ", 2
        while said.lower() in {f.lower() for f in found}:
            said, number = f"{head} {number}", number + 1
        found.append(said)
    return found


def _as_table(sheet: Any, name: str, heads: Sequence[str], first: int, last: int) -> None:
    """Rows `first` (the head) to `last` as a table that sorts and filters."""
    made: Any = ExcelTable(
        displayName=f"t_{re.sub(r'[^A-Za-z0-9_]', '_', name)}", ref=f"A{first}:{get_column_letter(len(heads))}{last}"
    )
    made.tableStyleInfo = _STYLE
    made._initialise_columns()
    for column, head in zip(made.tableColumns, heads, strict=True):
        column.name = head
    sheet.tables.add(made)


def _on_paper(sheet: Any, is_wide: bool, is_one_page: bool = False) -> None:
    sheet.page_setup.orientation = "landscape" if is_wide else "portrait"
    sheet.page_setup.paperSize = 9  # A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, int(is_one_page)
    sheet.page_margins = PageMargins(left=0.5, right=0.5, top=0.5, bottom=0.6, header=0.3, footer=0.3)
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.center.text = "&A, &P / &N"


def _write_columns(sheet: Any) -> None:
    """What every column of the tables holds."""
    for position, width in enumerate((18, 60, 22, 90), start=1):
        sheet.column_dimensions[get_column_letter(position)].width = width
    sheet.freeze_panes = "A2"
    _on_paper(sheet, is_wide=True)
    heads = [tr("table"), tr("what a row of it is"), tr("column"), tr("what it holds")]
    sheet.append([_bold(sheet, head) for head in heads])
    row = 1
    for name, (holds, columns) in TABLES.items():
        for column in columns:
            row += 1
            sheet.append([name, tr(holds), column, column_says(column)])
    _as_table(sheet, "columns", heads, 1, row)


def _bold(sheet: Any, text: str) -> Any:
    cell = WriteOnlyCell(sheet, text)
    cell.font, cell.fill = _BOLD, _FILL
    return cell


def _write_table(store: Store, sheet: Any, name: str, columns: Sequence[str]) -> None:
    """A table of the contract, as far as a sheet goes."""
    sheet.freeze_panes = "B2"
    _on_paper(sheet, is_wide=True, is_one_page=True)
    widths = [_WIDE.get(column, max(11, len(column) + 4)) for column in columns]
    for position, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(position)].width = width
    rows = store.rows(f"{in_order(name)} LIMIT {MOST_ROWS}")
    if len(rows) > _PRINTED:
        sheet.print_area = f"A1:{get_column_letter(len(columns))}{_PRINTED + 1}"
        first = tr("Only the first {n} rows are printed; all are in this sheet.", n=_PRINTED)
        sheet.oddFooter.center.text = f"&A, &P / &N. {first}"
    broken = [i for i, column in enumerate(columns) if column in _BROKEN]
    sheet.append([_bold(sheet, column) for column in columns])
    if rows:
        _as_table(sheet, f"table_{name}", columns, 1, len(rows) + 1)
    for number, row in enumerate(rows, start=2):
        if broken and (lines := max(_lines(str(row[i] or ""), widths[i]) for i in broken)) > 1:
            sheet.row_dimensions[number].height = _POINTS * lines
        sheet.append([_plain(sheet, name, column, value) for column, value in zip(columns, row, strict=True)])
    count = store.value(f'SELECT count(*) FROM main."{name}"')
    if count > MOST_ROWS:
        more = many(count - MOST_ROWS, "more row")
        sheet.append([tr("{rows} in tables/{name}.csv and tables/{name}.parquet.", rows=more, name=name)])


def _plain(sheet: Any, name: str, column: str, value: Any) -> Any:
    """A value of a table. One with nothing to say of its looks is made much faster."""
    if value is None or isinstance(value, int):
        return value
    if isinstance(value, str):
        text = shown(value) if column in _CODES else plain_cell(value)
        is_long, is_run = column in _BROKEN, value.startswith(("=", "+", "-", "@"))
        if not is_long and not is_run:
            return text
        cell = WriteOnlyCell(sheet, text)
        cell.data_type, cell.quotePrefix = "s", is_run  # a text that begins with = stays a text
        if is_long:
            cell.alignment = _WRAP
        return cell
    cell = WriteOnlyCell(sheet, plain_cell(value))
    if isinstance(value, dt.date):
        cell.number_format = "yyyy-mm-dd"
    elif isinstance(value, float):
        is_share = column in _SHARES or (name in _SHARES_IN and column in ("low", "high", "difference"))
        cell.number_format = "0.0%" if is_share else "0.000"
    return cell
