"""Whatever people type or call things: a screen, a page, a drawing and a table show it as text."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import duckdb
import lxml.html
import openpyxl
import pytest

from pipeline.harmless import json_text, legal, one_line
from pipeline.report.charts.base import short
from tests.cli.test_cli import formpack
from tests.conftest import SAMPLES, new_workspace

STEERS = "\x1b]0;gone\x07\x1b[2J\u202eevil\u2066\u2028\x9b31m\r\n2 done, 0 refused"
MARKUP = "<script>alert(1)</script><b a='\"&{{ 7 * 7 }}"
MATHS = r"$\alfa$ \frac $x_{"
LETTERS = "نخلة كبيرة 柑橘苗圃 🍊 ॐ"
NOTE = f'=HYPERLINK("http://x","y") {MARKUP} {STEERS} {LETTERS} \ufffe'
LISTS = {
    "teams": f'code,label,active\nT02,"=1+1 {MATHS}",yes\nT04,{LETTERS} {"long " * 300},yes\n',
    "locations": f'code,label,part_of\nH1,"{MATHS} {MARKUP.replace(chr(34), "")}",\nY1,@yard,\n',
    "rootstocks": f"code,label,active\nCARRIZO,{LETTERS} {MATHS},yes\n",
    "scions": "code,label,active\nTAHITI,+TAHITI \u202e,yes\n",
}
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = new_workspace(tmp_path_factory.mktemp("harmless")).folder
    for name, text in LISTS.items():
        (folder / "lists" / f"{name}.csv").write_text(text, encoding="utf-8")
    asked = {"form_id": "stock_count", "visit_date": "2026-10-30", "staff_code": "S03", "coverage": "whole", "counted": "600"}
    count = {**asked, "group_code": "26070109", "KEY": f"=key{STEERS}", "note": NOTE}
    other = {**asked, "group_code": f"=2+3{STEERS}", "KEY": "other", "counted": f"-{MARKUP}"}
    (folder / "inbox" / "= \x1b[31m.ndjson").write_text(f"{json.dumps(count)}\n{json.dumps(other)}\n", encoding="utf-8")
    sample = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"
    formpack("import", "inbox", str(sample), cwd=folder, code=1)
    formpack("report", cwd=folder, code=1)
    return folder


def test_nothing_that_is_printed_steers_the_screen(nursery: Path) -> None:
    said = {words: formpack(*words, cwd=nursery, code=None) for words in (
        ("import",), ("problems",), ("records", "--most", "0"), ("history", "=key"), ("due",), ("reconcile",),
        ("records", "--file", "\x1b[31m"), ("problems", "--rule", STEERS), ("import", "nowhere\x1b\udcff"),
    )}  # fmt: skip
    for words, text in said.items():
        assert one_line(text.replace("\n", "")) == text.replace("\n", ""), words
    assert r"\x1b]0;gone\x07\x1b[2J\u202eevil\u2066\u2028\x9b31m\r\n2 done" in said["history", "=key"]
    assert r"\x1b]0;gone" in said["problems",] and r"\x1b[31m" in said["records", "--most", "0"]
    assert not re.search(r"^2 done", "".join(said.values()), re.M)


def test_json_says_exactly_what_came_and_steers_nothing_either(nursery: Path) -> None:
    said = formpack("history", "=key", "--json", cwd=nursery)
    assert json.loads(said)["answers"]["note"] == NOTE.strip()
    assert one_line(said.replace("\n", "")) == said.replace("\n", "")
    assert json.loads(json_text(json.dumps({STEERS: [LETTERS]}, ensure_ascii=False))) == {STEERS: [LETTERS]}


def test_the_page_shows_it_and_runs_nothing(nursery: Path) -> None:
    page = (nursery / "reports" / "nursery-report.html").read_text(encoding="utf-8")
    tree = lxml.html.document_fromstring(page)
    assert len(tree.xpath("//script")) == 1 and tree.xpath("//b[@a]") == []
    assert "<script>alert(1)</script>" in tree.text_content() and "{{ 7 * 7 }}" in tree.text_content()
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u202a-\u202e\u2066-\u2069]", page)
    drawings = re.findall(r"<svg .*?</svg>", page, re.S)
    assert len(drawings) >= 10
    drawn = ["".join(ElementTree.fromstring(re.sub(r"xlink:href", "href", d)).itertext()) for d in drawings]
    assert any(MATHS in text for text in drawn) and any("柑橘苗圃" in text for text in drawn)
    assert any("long long…" in text or "long lo…" in text or "…" in text for text in drawn) and "long " * 20 not in "".join(
        drawn
    )


def test_a_name_is_cut_where_a_drawing_has_no_room() -> None:
    assert short("Team 4") == "Team 4" and short("a\tb\n c") == "a b c"
    assert short("x" * 1000) == "x" * 47 + "…" and short("柑" * 1000) == "柑" * 23 + "…"


def test_no_table_holds_a_formula_and_parquet_is_exact(nursery: Path) -> None:
    tables = nursery / "reports" / "tables"
    cells = 0
    for path in tables.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    assert not cell.startswith(FORMULA) or re.fullmatch(r"-?[0-9.e-]+", cell), (path.name, cell)
                    cells += cell.startswith("'=")
    assert cells >= 4
    with duckdb.connect() as db:
        exact = db.execute(f"SELECT note FROM '{tables / 'answers_stock_count.parquet'}'").fetchall()
    assert exact == [(NOTE.strip(),)]
    with (tables / "answers_stock_count.csv").open(encoding="utf-8", newline="") as file:
        assert [row["note"] for row in csv.DictReader(file)] == [f"'{NOTE.strip()}"]


def test_no_workbook_holds_a_formula_and_a_row_key_comes_back(nursery: Path) -> None:
    formpack("forms", cwd=nursery)
    formpack("problems", "--to", "problems.xlsx", cwd=nursery, code=1)
    formpack("records", "--to", "records.xlsx", cwd=nursery, code=1)
    paths = ["reports/nursery-report.xlsx", "problems.xlsx", "records.xlsx", "paper/budding.xlsx", "phone/budding.xlsx"]
    for path in paths:
        book = openpyxl.load_workbook(nursery / path)
        for sheet in book.worksheets:
            assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row), (path, sheet.title)
        book.close()
    assert legal("a\ufffe\x1b\ud800b") == "a���b"
    book = openpyxl.load_workbook(nursery / "problems.xlsx")
    sheet = book["problems"]
    head = {cell.value: cell.column for cell in sheet[1]}
    (row,) = (r for r in range(2, sheet.max_row + 1) if str(sheet.cell(r, head["submission"]).value).startswith("other") and
              sheet.cell(r, head["rule"]).value == "wrong_type")  # fmt: skip
    for column, text in (("decision", "withdraw"), ("reason", f"=no {MARKUP}")):
        sheet.cell(row, head[column], text).data_type = "s"
    book.save(nursery / "problems.xlsx")
    assert "1 done, 0 done before, 0 refused." in formpack("correct", "problems.xlsx", "--by", "S01", cwd=nursery, code=None)
    assert f"=no {MARKUP}" in formpack("history", "other", cwd=nursery)


def test_paper_forms_show_names_as_text(nursery: Path) -> None:
    formpack("forms", cwd=nursery)
    page = (nursery / "paper" / "stock_count.html").read_text(encoding="utf-8")
    assert lxml.html.document_fromstring(page).xpath("//script | //b") == [] and "&lt;script&gt;" in page
