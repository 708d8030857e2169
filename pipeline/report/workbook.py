"""The report as a workbook: a cover with what the page says first, the chapters of the page, what the columns of tables mean,
and the tables of the contract."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.cell import WriteOnlyCell
from openpyxl.chart import BarChart, LineChart, Reference
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.drawing.line import LineProperties
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter, quote_sheetname
from openpyxl.worksheet.table import Table as ExcelTable
from openpyxl.worksheet.table import TableStyleInfo

from formpack.group_code import is_group_code, shown
from formpack.words import many, tr, unpacked
from pipeline.harmless import legal
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Figures, Fold, Head, Items, Says, Table
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
_MOST_WIDE = 44
_INK, _SOFT, _LEAF, _ALARM, _PALE, _ODD = "22312A", "4A574F", "2F5540", "8A2F1D", "D9E4CF", "FBF0D9"
_PLAIN = Font(name="Calibri", color=_INK)
_TITLE = Font(name="Calibri", size=16, bold=True, color=_LEAF)
_HEAD = Font(name="Calibri", size=12, bold=True, color=_INK)
_BOLD = Font(name="Calibri", bold=True, color=_INK)
_TONES = {"soft": Font(name="Calibri", color=_SOFT, italic=True), "stop": Font(name="Calibri", color=_ALARM, bold=True)}
_BIG = Font(name="Calibri", size=18, bold=True, color=_LEAF)
_LINK = Font(name="Calibri", color=_LEAF, underline="single")
_WRAP = Alignment(wrap_text=True, vertical="top")
_FILL, _MARKED = PatternFill("solid", fgColor=_PALE), PatternFill("solid", fgColor=_ODD)
_ABOVE = Border(top=Side(style="thin", color=_INK))
_STYLE = TableStyleInfo(name="TableStyleLight1", showRowStripes=False)
_ROW_HEIGHT = 0.53
"""Centimetres of a row."""
_LINE = 100
"""Letters of a sentence that a line of a chapter's sheet has room for."""


def write_workbook(store: Store, path: Path, first: Chapter, chapters: Sequence[Chapter]) -> None:
    """The cover, one sheet a chapter, the sheet of columns, one sheet a table. No text is one that a spreadsheet would run."""
    book = openpyxl.Workbook(write_only=True)
    titles = _sheet_titles([first, *chapters], tr("columns"))
    for chapter in (first, *chapters):
        sheet = _Sheet(book.create_sheet(titles[chapter.name]), titles, is_cover=chapter is first)
        sheet.chapter(chapter, [(c.title, titles[c.name]) for c in chapters] if chapter is first else ())
    shown_tables = {name: columns for name, (_, columns) in TABLES.items()} | answer_tables(store)
    _write_columns(book.create_sheet(titles[""]))
    for name, columns in shown_tables.items():
        _write_table(store, book.create_sheet(name[:31]), name, columns)
    book.save(path)


def _sheet_titles(chapters: Iterable[Chapter], columns: str) -> dict[str, str]:
    """Names of sheets by names of chapters, and that of the sheet of columns by ''; none twice, none that a table has."""
    taken, found = {name[:31].lower() for name in TABLES}, {}
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


@dataclass(frozen=True)
class _Chart:
    """A table that is drawn: where its rows stand, which column is drawn over its first."""

    table: Table
    first_row: int
    last_row: int


class _Sheet:
    """A sheet that is written downwards."""

    def __init__(self, sheet: Any, titles: dict[str, str], is_cover: bool) -> None:
        self.sheet, self.titles, self.is_cover = sheet, titles, is_cover
        self.row = self.width = 0
        self.charts: list[_Chart] = []
        self.free_row = 0
        """The first row beside which no chart stands."""

    def chapter(self, chapter: Chapter, contents: Sequence[tuple[str, str]]) -> None:
        widths = self._widths(chapter)
        self.width = max((len(t.columns) for t in _tables(chapter.blocks)), default=1)
        for position, width in enumerate(widths, start=1):
            self.sheet.column_dimensions[get_column_letter(position)].width = width
        self.sheet.sheet_view.showGridLines = False
        self.sheet.freeze_panes = "A2"
        _on_paper(self.sheet, is_wide=sum(widths) > 95)
        self._line(chapter.title, _TITLE)
        self._blocks(chapter.blocks, len(widths))
        if contents:
            self._line("")
            self._line(tr("In this workbook"), _HEAD)
            for title, sheet in contents:
                self._line(title, _LINK, f"#{quote_sheetname(sheet)}!A1")
        for chart in self.charts:
            self._draw(chart)

    def _widths(self, chapter: Chapter) -> list[float]:
        tables = list(_tables(chapter.blocks))
        found: list[float] = [30.0 if tables else 90.0, *[12.0] * 3] if not self.is_cover else [78.0, 16.0, 30.0, 30.0]
        for table in tables:
            for position, column in enumerate(table.columns):
                cells = [r[position] for r in (*table.rows, *([table.total] if table.total else ()))]
                texts = [len(_said(c)) for c in cells if isinstance(c, str | Cell)]
                need = max([min(len(column.head), 16), *texts, 9 if column.kind != "text" else 6]) + 3
                while len(found) <= position:
                    found.append(8.0)
                found[position] = max(found[position], min(_MOST_WIDE, need))
        return found

    def _append(self, cells: list[Any], height: float | None = None) -> None:
        self.row += 1
        if height:
            self.sheet.row_dimensions[self.row].height = height
        self.sheet.append(cells)

    def _cell(self, value: Any, font: Font | None = None) -> Any:
        cell = WriteOnlyCell(self.sheet, value)
        if isinstance(value, str):
            cell.data_type, cell.quotePrefix = "s", value.startswith(("=", "+", "-", "@"))
        if font:
            cell.font = font
        return cell

    def _line(self, text: str, font: Font | None = None, href: str = "", span: int = 1) -> None:
        cell = self._cell(_text(text))
        if href:
            cell.hyperlink = href
        cell.font = font or _PLAIN
        if span > 1:
            cell.alignment = _WRAP
            self.sheet.merged_cells.ranges.add(f"A{self.row + 1}:{get_column_letter(span)}{self.row + 1}")
        self._append([cell], 15.5 * (1 + len(text) // _LINE) if span > 1 and len(text) > _LINE else None)

    def _blocks(self, blocks: Iterable[Block], span: int) -> None:
        for block in blocks:
            if isinstance(block, Says):
                self._line(block.text, _TONES.get(block.tone), span=span)
            elif isinstance(block, Head):
                self._line("")
                self._line(block.text, _HEAD)
            elif isinstance(block, Drawing) and block.head:
                self._line("")
                self._line(block.head, _HEAD)
                self._line(block.text, span=span)
            elif isinstance(block, Fold):
                self._line("")
                self._line(block.title, _HEAD)
                self._blocks(block.blocks, span)
            elif isinstance(block, Figures):
                for figure in block.figures:
                    self._line("")
                    head = [self._cell(_text(figure.label), _BOLD), self._cell(_text(figure.value_text), _BIG)]
                    changes = [self._cell(_text(t)) for t in (figure.interval_text, *figure.changes) if t]
                    self._append([*head, *changes], 24)
            elif isinstance(block, Items):
                self._items(block)
            elif isinstance(block, Table) and block.rows:
                self._table(block)

    def _items(self, items: Items) -> None:
        for item in items.items:
            cell = self._cell(_text(item.text))
            if sheet := self.titles.get(item.href.removeprefix("#")):
                cell.hyperlink = f"#{quote_sheetname(sheet)}!A1"
            cell.font, cell.alignment = _TONES.get(item.tone, _PLAIN), _WRAP
            self._append([cell, self._cell(_text(item.stake_text), _BOLD)], 15.5 * (1 + len(item.text) // 80))

    def _table(self, table: Table) -> None:
        self._append([])
        self._line(table.caption, _BOLD)
        heads = _unlike([_text(column.head) for column in table.columns])
        cells = [self._cell(head, _BOLD) for head in heads]
        for cell, column in zip(cells, table.columns, strict=True):
            cell.fill = _FILL
            cell.alignment = Alignment(wrap_text=True, vertical="bottom", horizontal="left" if _is_words(column) else "right")
        self._append(cells, 15.5 * max(1 + len(head) // 16 for head in heads))
        first = self.row
        for position, row in enumerate(table.rows):
            made = self._values(row, table)
            if position in table.marked:
                for cell in made:
                    cell.fill = _MARKED
            self._append(made)
        _as_table(self.sheet, table.name, heads, first, self.row)
        if table.plotted and len(table.rows) > 1:
            self.charts.append(_Chart(table, first, self.row))
        if table.total:
            made = self._values(table.total, table)
            for cell in made:
                cell.font, cell.border = _BOLD, _ABOVE
            self._append(made)

    def _values(self, row: Sequence[Any], table: Table) -> list[Any]:
        return [self._value(v, c, i > 0) for i, (v, c) in enumerate(zip(row, table.columns, strict=True))]

    def _value(self, given: Any, column: Column, is_indented: bool) -> Any:
        value = given.value if isinstance(given, Cell) else given
        if isinstance(given, Cell) and value is None:
            value = given.text
        if isinstance(value, str):
            cell = self._cell(_text(value))
            cell.alignment = Alignment(wrap_text=len(value) > 30, vertical="top", indent=int(is_indented))
        else:
            is_points = column.kind == "points" and value is not None
            cell = self._cell(100 * value if is_points else value)
            if value is not None:
                cell.number_format = _FORMATS.get(column.kind, "General")
        if isinstance(given, Cell) and given.is_marked:
            cell.font = _TONES["stop"]
        if isinstance(given, Cell) and given.shade is not None:
            cell.fill = PatternFill("solid", fgColor=_shaded(given.shade))
        return cell

    def _draw(self, found: _Chart) -> None:
        """A chart of the spreadsheet's own to the right of its table."""
        over_time = found.table.columns[0].kind == "month"
        chart: Any = LineChart() if over_time else BarChart()
        if not over_time:
            chart.type = "bar"
            chart.y_axis.scaling.min = 0
            chart.x_axis.scaling.orientation = "maxMin"
        for column in found.table.plotted:
            data = Reference(self.sheet, min_col=column + 1, min_row=found.first_row, max_row=found.last_row)
            chart.add_data(data, titles_from_data=True)
        chart.set_categories(Reference(self.sheet, min_col=1, min_row=found.first_row + 1, max_row=found.last_row))
        for series, colour in zip(chart.series, (_LEAF, "C8801D", "7BA287", "8C5A1C", "A9C2AD"), strict=False):
            series.graphicalProperties.solidFill = colour
            series.graphicalProperties.line.solidFill = colour
            series.smooth = False if over_time else None
        chart.title = _text(found.table.caption)[:80]
        chart.legend = None if len(found.table.plotted) == 1 else chart.legend
        chart.x_axis.delete = chart.y_axis.delete = False
        chart.y_axis.majorGridlines.spPr = GraphicalProperties(ln=LineProperties(solidFill="D9E0D9"))
        chart.height, chart.width = min(14.0, 4.0 + 0.55 * (found.last_row - found.first_row)), 13.0
        row = max(found.first_row, self.free_row)
        self.free_row = row + round(chart.height / _ROW_HEIGHT) + 1
        self.sheet.add_chart(chart, f"{get_column_letter(self.width + 2)}{row}")


def _tables(blocks: Iterable[Block]) -> Iterator[Table]:
    for block in blocks:
        if isinstance(block, Table):
            yield block
        elif isinstance(block, Fold):
            yield from _tables(block.blocks)


def _said(given: str | Cell) -> str:
    return _text(given.text or str(given.value or "")) if isinstance(given, Cell) else _text(given)


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


def _on_paper(sheet: Any, is_wide: bool) -> None:
    sheet.page_setup.orientation = "landscape" if is_wide else "portrait"
    sheet.page_setup.paperSize = 9  # A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
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
    _on_paper(sheet, is_wide=True)
    sheet.print_title_rows = "1:1"
    for position, column in enumerate(columns, start=1):
        sheet.column_dimensions[get_column_letter(position)].width = _WIDE.get(column, max(11, len(column) + 4))
    rows = store.rows(f"{in_order(name)} LIMIT {MOST_ROWS}")
    sheet.append([_bold(sheet, column) for column in columns])
    if rows:
        _as_table(sheet, f"table_{name}", columns, 1, len(rows) + 1)
    for row in rows:
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
        is_long, is_run = column in ("message", "advice", "finding"), value.startswith(("=", "+", "-", "@"))
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
