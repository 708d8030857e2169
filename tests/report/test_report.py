from __future__ import annotations

import csv
import re
from pathlib import Path

import openpyxl
import pytest

from formpack.catalog import load_forms
from pipeline import run
from pipeline.report import write_report
from pipeline.tables import TABLES
from tests.conftest import SAMPLES, looked_at, new_workspace


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    workspace = new_workspace(tmp_path_factory.mktemp("report"))
    run.import_files(workspace, [SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"])
    with looked_at(workspace) as store:
        write_report(store, workspace)
    return workspace.reports


def test_the_page_is_one_file_and_its_names_are_its_own(reports: Path) -> None:
    page = (reports / "nursery-report.html").read_text(encoding="utf-8")
    assert page.count("<script") == 1
    assert not re.search(r"<link|<iframe|<img|@import|javascript:|<[^>]*\son\w+=", page)
    assert not re.search(r"""<[^>]*(?:src|href)=["'](?!#)""", page)
    drawn = page.count('<svg role="img" aria-label="')
    assert drawn >= 13 and drawn == page.count("<figure")
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_the_page_says_the_numbers_of_the_tables(reports: Path) -> None:
    page = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", (reports / "nursery-report.html").read_text(encoding="utf-8")))
    with (reports / "tables" / "standing_sums.csv").open(encoding="utf-8") as file:
        total = next(row for row in csv.DictReader(file) if row["by"] == "all")
    assert f"{total['plants']} {total['low']} to {total['high']} in 95 of 100 cases" in page
    assert f"{total['plants']} ({total['low']} to {total['high']}) in 2 groups" in page
    assert 940 <= int(total["plants"]) <= 955 and total["book_count"] == "955"
    assert "Of 1,005 buds read, 934 took: 92.9%" in page
    assert "promises no compliance" in page


def test_a_nursery_with_nothing_in_it_gets_a_page_too(tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path)
    run.import_files(workspace, [])
    with looked_at(workspace) as store:
        page = write_report(store, workspace)[0].read_text(encoding="utf-8")
    assert "No group has been opened yet." in page and "No buds have been read yet." in page


def test_the_workbook_has_every_table_and_no_formula(reports: Path) -> None:
    book = openpyxl.load_workbook(reports / "nursery-report.xlsx")
    answers = [name for name in book.sheetnames if name.startswith("answers_")]
    first = book.sheetnames.index("submissions")
    assert book.sheetnames[first:] == [*TABLES, *answers] and len(answers) == len(load_forms()) and first > 10
    for sheet in book.worksheets:
        if sheet.title in TABLES:
            assert [c.value for c in sheet[1]] == list(TABLES[sheet.title][1])
        assert sheet.freeze_panes == ("A2" if book.sheetnames.index(sheet.title) < first else "B2")
        assert all(c.data_type != "f" for row in sheet.iter_rows() for c in row)
    assert book["movements"]["B2"].number_format == "yyyy-mm-dd"
    book.close()
