"""What an inspector sees: every kind of gap in one small nursery, numbers held against the tables, digests read by the real
sha256sum, and the verdict on a store that was altered."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import lxml.html
import openpyxl
import pytest

from formpack.group_code import shown
from pipeline import run
from pipeline.intake.ingest import source_of
from pipeline.report.inspection.asked import RECORDS, RETENTION
from pipeline.report.inspection.gaps import KINDS
from pipeline.report.inspection.proof import DIGESTS, line
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, CULLS, Bench
from tests.cli.test_cli import formpack
from tests.conftest import DAY, ROOT, looked_at, new_workspace, table
from tests.report.browser import Browser
from tests.report.test_page import _faults

MARKUP = "Ridge <b>Seeds</b>"
NAMES = ("back\\slash.json", "line\nfeed.json", "carriage\rreturn.json", " begins with a space.json", "*star.json", "café.json")


def _without_duty(folder: Path) -> Path:
    """The shipped forms that open, bud and despatch, with some answers that may be left out: forms of the nursery's own."""
    free = {"open_group": ("seed_lot",), "budding": ("budwood_batch",), "despatch": ("order_ref", "consignee")}
    for form, names in free.items():
        shutil.copytree(ROOT / "forms" / form, folder / form)
        survey = folder / form / "survey.csv"
        with survey.open(encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file)
        at = head.index("required")
        for row in rows:
            if row[1] in names:
                row[at] = ""
            if row[:2] == ["include", "location"]:
                row[0], row[2:5] = "select_one_from_file locations.csv", ["Place"] * 3
                row[head.index("parameters")], row[head.index("ledger")] = "value=code label=label", "place"
        with survey.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows([head, *rows])
    return folder


def _open(bench: Bench, group: int, seed_lot: str = "L2601-CARR", place: str = "H1") -> None:
    seed = {"seed_lot": seed_lot, "rootstock": "CARRIZO", "sow_date": "2025-12-01"}
    plants = {"lifted": 500, "planted": 500, "location": place, **dict.fromkeys(CULLS.split(","), 0)}
    bench.note("open_group", "02-02", group, "08:00", **seed, **plants)


def _bud(bench: Bench, group: int, batch: str, buds: int, team: str = "T02", day: str = "07-01") -> None:
    lot = {"team_code": team, "attempt": 1, "scion": "TAHITI", "budwood_batch": batch}
    bench.note("budding", day, group, **lot, buds_set=buds, passed_over=0, recount="yes")


def _count(bench: Bench, group: int, day: str, counted: Any, who: str = "S01", **more: str) -> None:
    bench.note("stock_count", day, group, who=who, **{"coverage": "whole", "counted": counted, "counted_again": "", **more})


@pytest.fixture(scope="module")
def lacking(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A nursery with each kind of gap once."""
    folder = tmp_path_factory.mktemp("lacking")
    workspace = new_workspace(folder / "nursery", _without_duty(folder / "own"))
    with (workspace.lists / "budwood_batches.csv").open("a", encoding="utf-8") as file:
        file.write("B-NOTREE,No tree,TAHITI,Block A,,2026-06-28,LW-0001,397\n")
        file.write("B-NOAUTH,No authorisation,TAHITI,Block A,M013,2026-06-28,,4000\n")
        file.write("B-UNSET,Not set,EUREKA,Block A,M013,2026-06-28,LW-0002,4000\n")
        file.write("B-ELSE,Other block,EUREKA,Block B,M014,2026-06-28,LW-0002,4000\n")
        file.write("B-NOCUT,No day,TAHITI,Block A,M014,,LW-0003,4000\n")
    with (workspace.lists / "seed_lots.csv").open("a", encoding="utf-8") as file:
        file.write("L-NOSUP,No supplier,CARRIZO,,2025-11-20,yes\n")
        file.write(f"L-NOREC,No day,CARRIZO,{MARKUP},,\n")
    bench = Bench(workspace)
    for group, seed_lot in enumerate(("L2601-CARR", "L-NOSUP", "L-NOREC", "")):
        _open(bench, group, seed_lot, place="" if group == 2 else "H1")
    _bud(bench, 0, "B-NOTREE", 400)
    _bud(bench, 0, "", 51, "T04")
    _bud(bench, 1, "B-NOAUTH", 402)
    _bud(bench, 2, "B-NOCUT", 203)
    _bud(bench, 2, "B-TAH", 104, day="07-02")
    bench.note("transfer", "05-01", 0, to_group=CODES[4], moved=40, transfer_reason="split", recount="yes")
    bench.note("transfer", "05-01", 3, to_group=CODES[5], moved=30, transfer_reason="split", recount="yes")
    bench.note("relocate", "05-02", 1, location="Y1")
    bench.note("despatch", "08-10", 1, despatched=11, order_ref="", consignee="Alder Grove Farm", recount="yes")
    bench.note("despatch", "08-11", 1, despatched=12, order_ref="O-NONE", consignee="", recount="yes")
    bench.note("despatch", "08-12", 1, despatched=40, order_ref="O-NONE", consignee="Alder Grove Farm", recount="yes")
    bench.rows["despatch"][-1]["group_code"] = CODES[1][:-1] + str((int(CODES[1][-1]) + 1) % 10)
    with (workspace.lists / "orders.csv").open("a", encoding="utf-8") as file:
        file.write("O-NONE,O-NONE,,TAHITI,CARRIZO,12,2026-08-01\n")
    _count(bench, 0, "03-01", "many")
    _count(bench, 7, "03-02", 100)
    _count(bench, 1, "03-03", 500, who="S02")
    _count(bench, 2, "03-04", 450, counted_again="cannot")
    _count(bench, 2, "03-05", 500)
    bench.note("loss", "05-10", 2, lost=3, loss_cause="frost", recount="yes")
    bench.note("loss", "05-11", 2, lost=4, loss_cause="frost", recount="yes")
    bench.rows["loss"][-1]["visit_date"] = "2027-10-12"
    bench.rows["stock_count"][-1]["end"] = "2026-03-02T10:00:00.000Z"
    bench.write()
    for number, name in enumerate(NAMES):
        (workspace.inbox / name).write_text(f'{{"form_id": "none", "n": {number}}}', encoding="utf-8")
    (workspace.inbox / "gone.csv").symlink_to(workspace.inbox / "nowhere.csv")
    run.import_files(workspace, [workspace.inbox, workspace.inbox / "gone.csv"])
    staff = workspace.lists / "staff.csv"
    staff.write_text(staff.read_text(encoding="utf-8").replace("S02,Iris,yes\n", ""), encoding="utf-8")
    formpack("report", "--for-inspection", cwd=workspace.folder, code=1)
    return workspace


def _folder(workspace: Workspace) -> Path:
    return workspace.reports / "inspection"


def _page(workspace: Workspace) -> Any:
    return lxml.html.document_fromstring((_folder(workspace) / "inspection.html").read_text(encoding="utf-8"))


def _rows(page: Any, name: str) -> list[list[str]]:
    return [[c.text_content() for c in row] for row in page.xpath(f"//div[@id='table-{name}']//tbody/tr")]


def _csv(workspace: Workspace, name: str) -> list[dict[str, str]]:
    with (_folder(workspace) / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_each_kind_of_gap_is_listed_once(lacking: Workspace) -> None:
    page = _page(lacking)
    # six files of a form that is none, and a delivery under a misread code, are records kept out of no group, in one row beside
    # those of the wrong count and of the day to come
    assert Counter(row[2] for row in _rows(page, "gaps")) == Counter(
        {title: 3 if kind == "kept_out" else 1 for kind, (title, *_) in KINDS.items()}
    )
    said = {row[0] for row in _rows(page, "gaps")}
    assert {
        "No source tree is recorded for batch B-NOTREE (400 buds set in 1 group).",
        "No authorisation is recorded for batch B-NOAUTH (402 buds set in 1 group).",
        "No day of cutting is recorded for batch B-NOCUT (203 buds set in 1 group).",
        "No batch is recorded for 51 buds set in 1 group.",
        f"Buds of several batches (B-NOCUT and B-TAH) were set together in {shown(CODES[2])} by team T02 at budding 1.",
        "No supplier is recorded for seed lot L-NOSUP (500 plants in 1 group).",
        "No seed lot is recorded for 500 plants in 1 group.",
        f"The delivery of 11 trees from {shown(CODES[1])} on 10 August 2026 names no order.",
        f"The delivery of 12 trees from {shown(CODES[1])} on 11 August 2026 names no consignee.",
        f"1 record of {shown(CODES[7])} waits (100 plants).",
        "7 records of no group are kept out (40 plants).",
        f"1 record of {shown(CODES[2])} is kept out (4 plants).",
        "3 more buds of batch B-NOTREE were set than were cut.",
        "Tree M013 of Block A is named for EUREKA and TAHITI.",
        f"{shown(CODES[5])} was opened by moving plants from {shown(CODES[3])}, and not all of them go back to a seed lot;"
        " 30 plants of it stand or were delivered.",
        "1 record of Abel (S01) was saved by a phone with a wrong clock.",
    } <= said
    plants = [int(row[1].replace(",", "") or 0) for row in _rows(page, "gaps")]
    assert plants == sorted(plants, reverse=True) and max(plants) == 500
    kinds = _rows(page, "kinds_of_gaps")
    assert [row[1:4] for row in _rows(page, "followed")] == [[shown(CODES[4]), shown(CODES[0]), "L2601-CARR"]]
    assert sum(int(row[1]) for row in kinds) == len(plants) == len(KINDS) + 2 and all(row[3] for row in kinds)


def test_a_nursery_without_gaps_says_so(workspace: Workspace) -> None:
    bench = Bench(workspace)
    bench.open(0, 500)
    _bud(bench, 0, "B-TAH", 300)
    bench.take_in(DAY)
    said = formpack("report", "--for-inspection", cwd=workspace.folder)
    assert "It lists 0 gaps in the records." in said and "proofs were made, and all hold." in said
    page = _page(workspace).text_content()
    assert page.count("nothing lacks: each kind of gap that it knows was looked for, and none was found.") == 2
    assert "Nothing was corrected, accepted or withdrawn by hand." in page and "Nothing was delivered in this period." in page


def test_an_empty_nursery_and_what_cannot_be_asked(workspace: Workspace) -> None:
    def refused(*words: str) -> str:
        return formpack("report", *words, cwd=workspace.folder, code=2)

    assert "run `formpack import` first" in refused("--for-inspection")
    run.import_files(workspace, [ROOT / "LICENSE"])
    formpack("report", "--for-inspection", "--unchecked", cwd=workspace.folder, code=1)
    assert "No buds have been set." in _page(workspace).text_content()
    assert "go with --for-inspection" in refused("--from", "2026-01-01")
    assert "--until 2026-02-30" in refused("--for-inspection", "--until", "2026-02-30")
    assert "is after 2026-11-02, the last day" in refused("--for-inspection", "--from", "2027-01-01")


def test_numbers_are_those_of_the_tables(lacking: Workspace) -> None:
    page = _page(lacking)
    moved = table(lacking, "movements", "kind, quantity, on_date, group_code, other_group")
    told = _csv(lacking, "movements")
    for kind, what in (("opened", "opened"), ("moved_out", "moved")):
        assert sum(q for k, q, *_ in moved if k == kind) == sum(int(r["quantity"]) for r in told if r["what"] == what)
    (placed,) = [r for r in told if r["what"] == "placed"]
    assert (placed["to_group"], placed["from_place"], placed["to_place"]) == (CODES[1], "H1", "Y1")
    sent = [(str(day), group, str(q)) for kind, q, day, group, _ in moved if kind == "despatched"]
    assert [(r["on_date"], r["group_code"], r["trees"]) for r in _csv(lacking, "deliveries")] == sorted(sent)
    assert {r["batches"] for r in _csv(lacking, "deliveries")} == {"B-NOAUTH"}
    standing = table(lacking, "standing", "group_code, estimate, low, high, book_count", "stage <> 'gone'")
    columns = ("group_code", "estimate", "low", "high", "book_count")
    assert sorted(tuple(r[c] for c in columns) for r in _csv(lacking, "standing")) == [
        (group, *map(str, plants)) for group, *plants in standing
    ]
    buds = {code: int(row[7].replace(",", "")) for row in _rows(page, "batches") for code in row[:1]}
    told_buds: Counter[str] = Counter()
    for batch, n in table(lacking, "answers_budding", "budwood_batch, buds_set"):
        told_buds[batch or "not recorded: not recorded"] += n
    assert buds == told_buds and buds["B-TAH"] == 104
    lots = table(lacking, "lots", "group_code, team_code, attempt, buds_set")
    assert sorted(
        (r["group_code"], r["team_code"], int(r["attempt"]), int(r["buds_set"])) for r in _csv(lacking, "propagation")
    ) == sorted(lots)
    lifted: Counter[str] = Counter()
    for lot, plants in table(lacking, "answers_open_group", "seed_lot, lifted"):
        lifted[lot or "not recorded: not recorded"] += plants
    assert {row[0]: int(row[6]) for row in _rows(page, "seed_lots")} == lifted
    done = Counter(form for (form,) in table(lacking, "submissions", "form_id", "state = 'accepted'"))
    told_done: Counter[str] = Counter()
    by_month = _rows(page, "inspections_by_month")
    for _, form, records, *_ in by_month:
        told_done[form] += int(records)
    assert told_done == {lacking.forms[form].title_spoken: n for form, n in done.items()}
    counts = table(lacking, "counts", "flagged")
    assert sum(int(row[5]) for row in by_month) == len(counts)
    assert sum(int(row[6]) for row in by_month) == sum(flagged for (flagged,) in counts)
    found = {(r["on_date"], r["form_id"]): r for r in _csv(lacking, "inspections")}
    assert Counter(form for _, form in found) == {"open_group": 1, "loss": 1, "stock_count": done["stock_count"]}
    lost, seen = found["2026-05-10", "loss"], found["2026-03-03", "stock_count"]
    assert (lost["staff_code"], lost["lost"], lost["causes"], lost["counted"]) == ("S01", "3", "frost 3", "")
    assert (seen["staff_code"], seen["group_code"], seen["counted"], seen["culled"]) == ("S02", CODES[1], "500", "")
    opened = found["2026-02-02", "open_group"]
    assert (opened["counted"], opened["culled"], opened["died"]) == ("500", "0", "0")
    assert [row[-1] for row in _rows(page, "losses")] == ["3"]
    states = Counter(state for (state,) in table(lacking, "submissions", "state"))
    assert {row[0]: int(row[1]) for row in _rows(page, "states") if row[1] != "0"} == states
    book = openpyxl.load_workbook(_folder(lacking) / "inspection.xlsx")
    gaps = [row[0].value for row in book["What the records lack"].iter_rows()]
    assert (
        len(book.sheetnames) == 14
        and "Movements" in book.sheetnames
        and sum("is recorded for" in str(value) for value in gaps) == 8
    )


def test_a_period_bounds_what_was_done(lacking: Workspace, tmp_path: Path) -> None:
    copy = Workspace(shutil.copytree(lacking.folder, tmp_path / "copy", symlinks=True))
    days = ("--from", "2026-08-11", "--until", "2026-08-31", "--unchecked", "--json")
    said = json.loads(formpack("report", "--for-inspection", *days, cwd=copy.folder, code=1))
    assert [r["on_date"] for r in _csv(copy, "deliveries")] == ["2026-08-11"]
    assert _csv(copy, "movements") == _csv(copy, "propagation") == [] and len(_csv(copy, "standing")) == 6
    assert said["gaps"]["no_consignee"] == 1 and "no_order" not in said["gaps"] and "clock_off" not in said["gaps"]
    # what is kept out is told whatever day it claims
    assert said["gaps"]["kept_out"] == 3 and "opened_by_transfer" not in said["gaps"]
    assert said["gaps"]["no_source_tree"] == 1 and said["fails_at"] is None
    assert "It covers 11 August 2026 to 31 August 2026." in _page(copy).text_content()
    assert all((copy.folder / path).is_file() for path in said["files"])


def test_the_digests_are_read_by_sha256sum(lacking: Workspace, tmp_path: Path) -> None:
    digests = _folder(lacking) / DIGESTS
    with looked_at(lacking, ("submissions",)) as store:
        kept = store.rows("SELECT sha256, name FROM kept.raw_files")
        for sha, name in kept:
            found = source_of(store, sha)
            (tmp_path / name).write_bytes(found if isinstance(found, bytes) else found.read_bytes())
    assert {name for _, name in kept} >= set(NAMES) and len(kept) == len(digests.read_text(encoding="utf-8").splitlines())
    assert hashlib.sha256(digests.read_bytes()).hexdigest() in _page(lacking).text_content()
    if shutil.which("sha256sum"):
        command = ["sha256sum", "--check", "--strict", "--quiet", str(digests)]
        assert subprocess.run(command, cwd=tmp_path, check=True, capture_output=True).stdout == b""
        (tmp_path / "café.json").write_bytes(b"altered")
        assert subprocess.run(command, cwd=tmp_path, check=False, capture_output=True).returncode == 1


def test_a_name_is_escaped_as_the_manual_says() -> None:
    # GNU Coreutils manual, cksum general options
    assert line("00", "a.csv") == "00  a.csv\n"
    assert line("00", "a\\b\nc\rd") == "\\00  a\\\\b\\nc\\rd\n"


@pytest.mark.parametrize(
    ("damage", "has_books"),
    [
        ("UPDATE work.standing SET estimate = estimate + 1", False),
        ("UPDATE kept.raw_files SET content = 'other' WHERE name = 'café.json'", True),
        ("INSERT INTO kept.corrections SELECT 1, now(), 'S01', 'x', 'accept', '', '', '', 'clock_off', 'mine'", False),
    ],
)
def test_an_altered_store_is_told(lacking: Workspace, tmp_path: Path, damage: str, has_books: bool) -> None:
    copy = Workspace(shutil.copytree(lacking.folder, tmp_path / "copy", symlinks=True))
    with duckdb.connect(str(copy.store_file)) as connection:
        connection.execute(damage)
    said = formpack("report", "--for-inspection", cwd=copy.folder, code=1)
    assert "not hold: something is not as it was kept or made." in said
    assert ("gaps in the records" in said) is has_books
    page = _page(copy)
    assert any(row[1].startswith("does not hold") for row in _rows(page, "proofs"))
    assert bool(_rows(page, "standing")) is (_folder(copy) / "standing.csv").exists() is has_books
    assert ("nothing of the books is shown here" in page.text_content()) is not has_books


def test_corrections_are_told_with_those_undone(lacking: Workspace, tmp_path: Path) -> None:
    copy = Workspace(shutil.copytree(lacking.folder, tmp_path / "copy", symlinks=True))
    formpack("records", "--form", "loss", "--to", "list.xlsx", cwd=copy.folder, code=1)
    book = openpyxl.load_workbook(copy.folder / "list.xlsx")
    sheet = book["records"]
    head = [cell.value for cell in sheet[1]]
    (row,) = [
        r
        for r in sheet.iter_rows(min_row=2)
        if r[head.index("question")].value == "lost" and r[head.index("answer")].value in (3, "3")
    ]
    for name, value in (("decision", "correct"), ("new answer", "5"), ("reason", "=1+1 typed in haste")):
        row[head.index(name)].value = value
    book.save(copy.folder / "list.xlsx")
    formpack("correct", "list.xlsx", "--by", "S01", cwd=copy.folder, code=None)
    formpack("correct", "list.xlsx", "--by", "S03", "--undo", cwd=copy.folder, code=None)
    formpack("report", "--for-inspection", "--unchecked", cwd=copy.folder, code=1)
    rows = _rows(_page(copy), "corrections")
    assert [row[3] for row in rows] == ["answer corrected", "correction undone"]
    assert rows[0][2] == "Abel (S01)" and rows[0][5:8] == ["lost", "3", "5"] and rows[1][6:8] == ["5", "3"]
    assert [r["made_by"] for r in _csv(copy, "corrections")] == ["S01", "S03"]
    assert all(r["reason"][:1] != "=" for r in _csv(copy, "corrections"))
    assert table(copy, "answers_loss", "lost") == [(3,)]


def _sentences(workspace: Workspace) -> Iterator[str]:
    page = _page(workspace)
    for element in page.xpath("//script | //style"):
        element.getparent().remove(element)
    texts = [*page.itertext()]
    for sheet in openpyxl.load_workbook(_folder(workspace) / "inspection.xlsx"):
        texts += [str(cell.value) for row in sheet.iter_rows() for cell in row if cell.value is not None]
    for text in texts:
        yield from re.split(r"(?<=[.;])\s", text)


def test_nothing_claims_that_a_rule_is_met(lacking: Workspace) -> None:
    claims = re.compile(
        r"compl(y|ies|iance|iant|ied)|conform|fulfil|satisf|certif|in line with|lawful|\bmeets?\b|approved", re.I
    )
    found = [said for said in _sentences(lacking) if claims.search(said)]
    assert len(found) >= 4 and all(re.search(r"\b(no|not)\b", said) for said in found), found


def test_rules_are_named_with_what_stands_here(lacking: Workspace) -> None:
    rows = _rows(_page(lacking), "asked")
    assert len(rows) == len(RECORDS) and all(row[2] and (row[1] or row[3]) for row in rows)
    assert [row[1] for row in rows if row[0].startswith("plant protection")] == ["Treatments"]
    # the numbers of years as the rules have them: 3 CCR 3701.2, 4 TAC 21.38 and 21.10, Regulation (EU) 2016/2031 Article 69,
    # UK SI 2017/595 reg. 15, Scotland SSI 2017/177 reg. 17, Regulation (EC) 1107/2009 Article 67
    assert [years for _, years, _ in RETENTION] == [5, 4, 3, 3, 3, 3, 3]
    assert {link[1:] for link in _page(lacking).xpath("//a/@href")} <= set(_page(lacking).xpath("//@id"))
    assert MARKUP in _page(lacking).text_content()


@pytest.mark.parametrize("width", [390, 1280])
def test_no_rule_of_access_is_broken(lacking: Workspace, tmp_path: Path, width: int) -> None:
    with Browser(tmp_path) as browser:
        browser.show(_folder(lacking) / "inspection.html", width)
        assert _faults(browser) == []
        assert browser.value("document.documentElement.scrollWidth") == width


def test_a_folder_that_cannot_be_replaced_leaves_all_as_it_was(lacking: Workspace, tmp_path: Path) -> None:
    copy = Workspace(shutil.copytree(lacking.folder, tmp_path / "copy", symlinks=True))
    page = _folder(copy) / "inspection.html"
    digests = (_folder(copy) / DIGESTS).stat().st_mtime_ns
    page.unlink()
    page.mkdir()
    said = formpack("report", "--for-inspection", "--unchecked", cwd=copy.folder, code=2)
    assert "inspection.html could not be replaced" in said
    assert (_folder(copy) / DIGESTS).stat().st_mtime_ns == digests
