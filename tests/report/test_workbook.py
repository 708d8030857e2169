"""The workbook: what the page says, as tables of a spreadsheet, then the tables of the contract."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from unittest.mock import Mock

import openpyxl
import pytest
from openpyxl.workbook import Workbook
from openpyxl.worksheet.cell_range import CellRange
from openpyxl.worksheet.worksheet import Worksheet

from formpack import words
from pipeline.report import workbook
from pipeline.report.blocks import (
    Cell,
    Chapter,
    Column,
    Drawing,
    Figure,
    Figures,
    Fold,
    Head,
    Item,
    Items,
    Picture,
    Pictures,
    Says,
    Table,
)
from pipeline.report.columns import column_says
from pipeline.report.workbook import write_workbook
from pipeline.run import bring_up
from pipeline.store import Store
from pipeline.tables import TABLES
from tests.conftest import new_workspace

FIRST = Chapter(
    "first",
    "Larkwater Citrus, 2 November 2026",
    [
        Figures([Figure("plants stand", "58,293", "57,863 to 58,439", ["412 fewer than a month ago"])]),
        Items([Item("Count 26-0012-39 again.", "#stands", "20 in doubt", "stop"), Item("=1+1", "#nowhere")]),
    ],
)
STAGES = Table(
    "stages",
    "Plants by stage",
    [Column("stage"), Column("plants", "number"), Column("share", "share"), Column("share", "points"), Column("group", "code")],
    [
        ["in trays", 1200, 0.25, -0.01, "26001239"],
        [Cell("@in bags", is_marked=True), Cell(3600, shade=0.5), None, None, None],
        ["topped", 0, Cell(None, "few"), None, None],
    ],
    total=["together", 4800, 1.0, None, None],
    marked=frozenset({1}),
    plotted=(1,),
)
MONTHS = Table(
    "months",
    "Month by month",
    [Column("month", "month"), Column("day", "day"), Column("cost", "money")],
    [[dt.date(2026, month, 1), dt.date(2026, month, 3), 1200.4] for month in (8, 9)],
    plotted=(2,),
)
CHAPTERS = [
    Chapter("stands", "What stands: all of it, in every house / bench", [Says("A lead.", "lead"), Head("Part"), STAGES]),
    Chapter(
        "months",
        "By month",
        [
            Head("Drawn"),
            Drawing("<svg/>", "A drawing."),
            Fold("More", [MONTHS]),
            Fold("Only drawn", [Says("Dots are counts.", "lead"), Drawing("<svg/>", "Dots.")]),
            Head("Empty"),
            Table("none", "Nothing", [Column("a")], []),
        ],
        says="In October nothing was lost.",
    ),
    Chapter("teams", "teams", [Says("Nothing yet.")]),
]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    workspace = new_workspace(tmp_path_factory.mktemp("workbook"))
    with Store.open(workspace.store_file) as store:
        bring_up(store, workspace, dt.date(2026, 11, 2))
    return Store.open(workspace.store_file, is_read_only=True)


@pytest.fixture(scope="module")
def book(store: Store, tmp_path_factory: pytest.TempPathFactory) -> Workbook:
    path = tmp_path_factory.mktemp("book") / "book.xlsx"
    write_workbook(store, path, FIRST, CHAPTERS)
    return openpyxl.load_workbook(path)


def test_the_cover_comes_first_then_the_chapters_of_the_page_and_the_tables_last(book: Workbook) -> None:
    names = book.sheetnames
    assert names[:5] == ["Larkwater Citrus, 2 November 20", "What stands  all of it, in ever", "By month", "teams 2", "columns"]
    assert names[5 : 5 + len(TABLES)] == list(TABLES)
    cover = book.worksheets[0]
    texts = {cell.value: cell for row in cover.iter_rows() for cell in row if cell.value}
    assert {"plants stand", "58,293", "57,863 to 58,439", "412 fewer than a month ago", "20 in doubt"} <= set(texts)
    links = {text: cell.hyperlink.location or cell.hyperlink.target for text, cell in texts.items() if cell.hyperlink}
    assert set(links) == {"What stands  all of it, in ever", *(chapter.title for chapter in CHAPTERS)}
    assert "'What stands  all of it, in ever'!A1" in links["What stands  all of it, in ever"]


def test_a_table_is_one_that_sorts_and_filters_with_numbers_as_numbers(book: Workbook) -> None:
    sheet = book.worksheets[1]
    (table,) = sheet.tables.values()
    assert table.displayName == "t_stages" and table.autoFilter is not None
    assert [column.name for column in table.tableColumns] == ["stage", "plants", "share", "share 2", "group"]
    head, *rows = [list(row) for row in sheet[table.ref]]
    assert [cell.value for cell in head] == [column.name for column in table.tableColumns]
    assert [cell.value for cell in rows[0]] == ["in trays", 1200, 0.25, -1.0, "26-0012-39"]
    assert [rows[0][i].number_format for i in (1, 2, 3)] == ["#,##0", "0.0%", "+0.0;-0.0;0.0"]
    assert rows[1][0].value == "@in bags" and rows[1][0].quotePrefix and rows[2][2].value == "few"
    assert rows[1][1].fill.fill_type == "solid" and rows[1][0].font.bold
    below = [cell.value for cell in sheet[rows[2][0].row + 1]][:2]
    assert below == ["together", 4800]
    assert len(sheet._charts) == 1 and len(book["By month"]._charts) == 1


def test_days_and_months_are_days(book: Workbook) -> None:
    (table,) = book["By month"].tables.values()
    row = book["By month"][table.ref][1]
    assert [c.value for c in row] == [dt.datetime(2026, 8, 1), dt.datetime(2026, 8, 3), 1200.4]
    assert [c.number_format for c in row] == ["mmm yyyy", "d mmm yyyy", "#,##0"]


def test_every_column_of_every_table_is_explained(book: Workbook) -> None:
    rows = {(row[0], row[2]): row[3] for row in book["columns"].iter_rows(min_row=2, values_only=True)}
    assert set(rows) == {(name, column) for name, (_, columns) in TABLES.items() for column in columns}
    assert all(rows.values()) and rows["standing", "estimate"] == column_says("estimate")


def test_it_prints_on_the_width_of_a_page(book: Workbook) -> None:
    tables = {name[:31] for name in TABLES}
    for place, sheet in enumerate(book.worksheets):
        is_one_page = place == 0 or sheet.title in tables or sheet.title.startswith("answers_")
        assert sheet.page_setup.fitToWidth == 1 and sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.page_setup.fitToHeight == int(is_one_page)
        assert sheet.freeze_panes in ("A2", "B2")
    cover = book.worksheets[0]
    contents = next(row[0].row for row in cover.iter_rows() if row[0].value == "In this workbook")
    assert int(cover.print_area.rsplit("$", 1)[1]) < contents


def test_a_table_of_the_contract_prints_its_first_rows_and_says_so(tmp_path: Path) -> None:
    rows = Mock(rows=lambda _: [["A", "Look."]] * 90, value=lambda _: 90)
    book = openpyxl.Workbook(write_only=True)
    workbook._write_table(rows, book.create_sheet("problems"), "problems", ["field", "advice"])
    book.save(tmp_path / "book.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "book.xlsx").worksheets[0]
    assert sheet.print_area.endswith("$A$1:$B$41") and sheet.max_row == 91
    assert "Only the first 40 rows are printed; all are in this sheet." in str(sheet.oddFooter.center.text)


def _said(sheet: Worksheet) -> list[str]:
    return [str(cell.value) for row in sheet.iter_rows() for cell in row if cell.value]


def test_no_head_stands_over_nothing_and_none_twice(book: Workbook) -> None:
    said = _said(book["By month"])
    assert said[:3] == ["By month", "In October nothing was lost.", "More"]
    assert not {"Drawn", "Only drawn", "Dots are counts.", "Empty", "Nothing"} & set(said)


def test_a_long_text_has_lines_of_its_own(store: Store, tmp_path: Path) -> None:
    advice = "Count it again, and ask whoever counted it what was meant. " * 5
    columns = [Column("group", "code"), Column("counted", "number", "on that day"), Column("what to do")]
    table = Table("again", "Groups", columns, [["26001239", 20, advice], ["26001240", 3, "Nothing."]])
    items = Chapter("first", "What to do", [Items([Item(advice, "#again", "20 in doubt")])])
    write_workbook(store, tmp_path / "book.xlsx", items, [Chapter("again", "Again", [table])])
    cover, sheet = openpyxl.load_workbook(tmp_path / "book.xlsx").worksheets[:2]
    _, long, short = next(iter(sheet[t.ref] for t in sheet.tables.values()))
    lines = sheet.row_dimensions[long[2].row].height / 15
    assert lines * sheet.column_dimensions["C"].width > len(advice) / 1.1 and sheet.row_dimensions[short[2].row].height is None
    assert all(cell.alignment.vertical == "top" for cell in long) and long[2].alignment.indent == 1
    assert "counted: on that day" in _said(sheet)
    row = next(row for row in cover.iter_rows() if row[0].value == advice.strip() or row[0].value == advice)
    assert cover.row_dimensions[row[0].row].height >= 45 and row[1].alignment.vertical == "top"
    assert cover.column_dimensions["A"].width >= 80


def test_of_photos_the_workbook_has_the_names(store: Store, tmp_path: Path) -> None:
    photos = Pictures(
        [Picture("a.jpg", "2 May 2026, Loss", "data:image/jpeg;base64,AAAA"), Picture("b.jpg", "has not come in")]
    )
    write_workbook(store, tmp_path / "book.xlsx", FIRST, [Chapter("photos", "Photos", [photos])])
    said = _said(openpyxl.load_workbook(tmp_path / "book.xlsx").worksheets[1])
    assert {"2 May 2026, Loss (a.jpg)", "has not come in (b.jpg)"} <= set(said)


def test_each_column_that_is_plotted_has_a_chart_of_its_own_over_no_table(store: Store, tmp_path: Path) -> None:
    months = [
        Cell(dt.date(2026, m, 1), "Nov 2026, not over" if m == 11 else f"{n} 2026")
        for m, n in ((11, ""), (10, "Oct"), (9, "Sep"))
    ]
    columns = [Column("month", "month"), Column("lost", "number"), Column("standing", "number")]
    by_month = Table("by_month", "By month", columns, [[m, 10, 50_000] for m in months], plotted=(1, 2))
    teams = Table("teams_", "Teams", [Column("team"), Column("take", "share")], [["A", 0.9], ["B", 0.8]], plotted=(1,))
    chapters = [Chapter("drawn", "Drawn", [by_month, teams])]
    write_workbook(store, tmp_path / "book.xlsx", FIRST, chapters)
    sheet = openpyxl.load_workbook(tmp_path / "book.xlsx").worksheets[1]
    assert len(sheet._charts) == 3
    for chart in sheet._charts:
        over = CellRange(
            min_col=chart.anchor._from.col + 1,
            min_row=chart.anchor._from.row + 1,
            max_col=chart.anchor.to.col,
            max_row=chart.anchor.to.row,
        )
        assert all(over.isdisjoint(CellRange(table.ref)) for table in sheet.tables.values())
    first = next(row[0] for row in sheet.iter_rows() if isinstance(row[0].value, dt.datetime))
    assert first.number_format == 'mmm yyyy", not over"'
    below = (first.row or 0) + 1  # the month that goes on is left out
    drawn = next(c.series[0].val.numRef.f for c in sheet._charts if "$B$" in c.series[0].val.numRef.f)
    assert drawn.endswith(f"$B${below}:$B${below + 1}")


def test_in_another_language_numbers_stay_numbers(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(words, "_language", "es")
    write_workbook(store, tmp_path / "book.xlsx", FIRST, CHAPTERS)
    sheet = openpyxl.load_workbook(tmp_path / "book.xlsx").worksheets[1]
    (table,) = sheet.tables.values()
    assert [cell.value for cell in sheet[table.ref][1]][:3] == ["in trays", 1200, 0.25]
