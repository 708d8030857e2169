"""The workbook: what the page says, as tables of a spreadsheet, then the tables of the contract."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl
import pytest
from openpyxl.workbook import Workbook

from formpack import words
from pipeline.report.blocks import Cell, Chapter, Column, Figure, Figures, Fold, Head, Item, Items, Says, Table
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
    Chapter("months", "Months", [Fold("More", [MONTHS]), Table("none", "Nothing", [Column("a")], [])]),
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
    assert names[:5] == ["Larkwater Citrus, 2 November 20", "What stands  all of it, in ever", "Months", "teams 2", "columns"]
    assert names[5 : 5 + len(TABLES)] == list(TABLES)
    cover = book.worksheets[0]
    texts = {cell.value: cell for row in cover.iter_rows() for cell in row if cell.value}
    assert {"plants stand", "58,293", "57,863 to 58,439", "412 fewer than a month ago", "20 in doubt"} <= set(texts)
    links = {text: cell.hyperlink.location or cell.hyperlink.target for text, cell in texts.items() if cell.hyperlink}
    assert set(links) == {"Count 26-0012-39 again.", *(chapter.title for chapter in CHAPTERS)}
    assert "'What stands  all of it, in ever'!A1" in links["Count 26-0012-39 again."]


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
    assert len(sheet._charts) == 1 and len(book["Months"]._charts) == 1


def test_days_and_months_are_days(book: Workbook) -> None:
    (table,) = book["Months"].tables.values()
    row = book["Months"][table.ref][1]
    assert [c.value for c in row] == [dt.datetime(2026, 8, 1), dt.datetime(2026, 8, 3), 1200.4]
    assert [c.number_format for c in row] == ["mmm yyyy", "d mmm yyyy", "#,##0"]


def test_every_column_of_every_table_is_explained(book: Workbook) -> None:
    rows = {(row[0], row[2]): row[3] for row in book["columns"].iter_rows(min_row=2, values_only=True)}
    assert set(rows) == {(name, column) for name, (_, columns) in TABLES.items() for column in columns}
    assert all(rows.values()) and rows["standing", "estimate"] == column_says("estimate")


def test_it_prints_on_the_width_of_a_page(book: Workbook) -> None:
    for sheet in book.worksheets:
        assert (
            sheet.page_setup.fitToWidth == 1
            and sheet.page_setup.fitToHeight == 0
            and sheet.sheet_properties.pageSetUpPr.fitToPage
        )
        assert sheet.freeze_panes in ("A2", "B2")


def test_in_another_language_numbers_stay_numbers(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(words, "_language", "es")
    write_workbook(store, tmp_path / "book.xlsx", FIRST, CHAPTERS)
    sheet = openpyxl.load_workbook(tmp_path / "book.xlsx").worksheets[1]
    (table,) = sheet.tables.values()
    assert [cell.value for cell in sheet[table.ref][1]][:3] == ["in trays", 1200, 0.25]
