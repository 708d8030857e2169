from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.tables import TABLES
from tests.conftest import SAMPLES, new_workspace


def formpack(*words: str, cwd: Path, code: int | None = 0) -> str:
    """What a command prints (both streams), run in `cwd`; its exit code must be `code`."""
    with contextlib.chdir(cwd):
        run = CliRunner().invoke(app, list(words))
    if run.exception is not None and not isinstance(run.exception, SystemExit):
        raise run.exception
    assert code is None or run.exit_code == code, (run.exit_code, run.output)
    return str(run.output)


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    return new_workspace(tmp_path).folder


def test_a_clean_morning_ends_with_0(nursery: Path) -> None:
    shutil.copytree(SAMPLES / "two_groups_are_put_together" / "inbox", nursery / "inbox", dirs_exist_ok=True)
    said = formpack("import", cwd=nursery)
    assert "3 files, all of them new" in said
    assert "3 submissions received in all = 3 accepted, 0 waiting, 0 quarantined, 0 superseded, 0 withdrawn." in said
    assert "Nothing needs a look." in formpack("problems", cwd=nursery)
    formpack("report", cwd=nursery)
    formpack("check", cwd=nursery)
    assert (nursery / "reports" / "nursery-report.html").exists()
    for name in TABLES:
        head = (nursery / "reports" / "tables" / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
        assert head.split(",") == list(TABLES[name][1])
        assert (nursery / "reports" / "tables" / f"{name}.parquet").exists()


def test_something_to_look_at_ends_with_1(nursery: Path) -> None:
    shutil.copytree(SAMPLES / "a_wrong_digit_in_the_code" / "inbox", nursery / "inbox", dirs_exist_ok=True)
    assert "1 quarantined" in formpack("import", cwd=nursery, code=1)
    said = formpack("problems", cwd=nursery, code=1)
    assert "Kept out of the books until put right: 1" in said and "Look at the sign" in said
    formpack("report", cwd=nursery, code=1)
    formpack("check", cwd=nursery)


def test_every_command_speaks_json(nursery: Path) -> None:
    shutil.copytree(SAMPLES / "two_groups_are_put_together" / "inbox", nursery / "inbox", dirs_exist_ok=True)
    for command in ("init", "import", "problems", "report", "due", "rebuild", "check"):
        assert isinstance(json.loads(formpack(command, "--json", cwd=nursery)), dict), command


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["import", "nowhere"], "neither a file nor a folder"),
        (["import", "--as-of", "tomorrow"], "is not a day; write it as YYYY-MM-DD"),
        (["due", "--as-of", "9999-12-31"], "--as-of 9999-12-31 is not from 1990 to 2199"),
        (["import", "--sure"], "--as-of"),
        (["problems"], "run `formpack import` first"),
        (["problems", "--rule", "x"], "There is no rule x"),
        (["due"], "run `formpack import` first"),
        (["report"], "run `formpack import` first"),
        (["check"], "run `formpack import` first"),
        (["rebuild"], "run `formpack import` first"),
        (["import", "--workspace", "nowhere"], "no workspace"),
        (["import", "--as-of", "20260302"], "--as-of 20260302 is not written as YYYY-MM-DD; 2026-03-02?"),
        (["import", "--as-of", "0001-01-01"], "is not from 1990 to 2199"),
        (["plan", "--as-of", "9999-12-31"], "is not from 1990 to 2199"),
        (["records", "--from", "1/7/27"], "--from 1/7/27 can be read in two ways"),
        (["due", "--days", "1e3"], "--days 1e3 is not a whole number"),
        (["due", "--days", "-1"], "--days takes a number from 0 to 10,000"),
        (["due", "--days", "9" * 40], "has too many digits"),
        (["due", "--days", "1_0"], "--days 1_0 is not a whole number"),
        (["due", "--days", "1\n2"], "--days 1\\n2 is not a whole number"),
        (["problems", "--most", "-1"], "--most takes a number from 0 to"),
        (["records", "--most", "-1"], "--most takes a number from 0 to"),
        (["reconcile", "--most", "x"], "--most x is not a whole number"),
        (["reconcile", "--next", "nan"], "--next nan is not a number"),
        (["reconcile", "--next", "inf"], "--next inf is not a number"),
        (["reconcile", "--next", "1e1"], "--next 1e1 is not a number"),
        (["reconcile", "--next", "1,5"], "--next 1,5 has a decimal comma"),
        (["reconcile", "--next", "0"], "--next takes a number from 0.1 to 1,000"),
        (["reconcile", "--next", "1000000"], "--next takes a number from 0.1 to 1,000"),
        (["plan", "--trees", "nan"], "--trees nan is not a whole number"),
        (["plan", "--trees", "-3"], "--trees takes a number from 1 to 1,000,000"),
        (["init", "--name", "a\nb"], "name must be words on one line"),
    ],
)
def test_what_cannot_be_done_ends_with_2_and_one_line(words: list[str], says: str, nursery: Path) -> None:
    said = formpack(*words, cwd=nursery, code=2)
    assert says in said and said.count("\n") == 1


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (("nursery.toml", "name = "), "nursery.toml cannot be read"),
        (("nursery.toml", "colour = 3"), "colour is not a setting"),
        (("nursery.toml", "group_size = 'x'"), "group_size must be"),
        (("nursery.toml", "[intervals]\ncut_back = -1"), "cut_back must be a whole number from 0 to 10,000"),
        (("nursery.toml", "[phone]\nshow_expected = 1"), "show_expected must be true or false"),
        (("nursery.toml", "[walk]\nplants_per_hour = 0"), "plants_per_hour must be a whole number from 1"),
        (("nursery.toml", "[phone]\ncolour = 1"), "nursery.toml [phone]: colour is not a setting"),
        (("forms/loss.xlsx", "no workbook"), "not a workbook"),
    ],
)
def test_a_spoilt_workspace_is_said_in_one_line(spoil: tuple[str, str], says: str, nursery: Path) -> None:
    (nursery / spoil[0]).write_text(spoil[1], encoding="utf-8")
    said = formpack("import", cwd=nursery, code=2)
    assert says in said and said.count("\n") == 1


def test_a_store_that_is_no_store(nursery: Path) -> None:
    (nursery / "store.duckdb").write_bytes(b"something else entirely" * 500)
    assert "store.duckdb" in formpack("import", cwd=nursery, code=2)


LEFT = ("26-0001-72", "26-0002-69", "26-0003-66", "26-0004-63")


@pytest.fixture
def leftovers(nursery: Path) -> Path:
    """Four groups of 940: of two 11 and 8 are left, of one 36, and one was counted to 0 with 15 in its book."""
    head = "KEY,visit_date,staff_code,group_code"
    opened = (
        "seed_lot,rootstock,sow_date,lifted,cull_off_type,cull_bent_root,cull_etiolated,cull_weak,cull_other,planted,location"
    )
    gone = {code: 940 - left for code, left in zip(LEFT, (11, 8, 36, 15), strict=True)}
    counts = dict(zip(LEFT, (11, 8, 36, 0), strict=True))
    files = {
        "open_group.csv": [f"{head},{opened}"]
        + [f"o{c},2026-02-01,S01,{c},L2601-CARR,CARRIZO,2025-11-01,1000,40,5,0,15,0,940,H1" for c in LEFT],
        "despatch.csv": [f"{head},despatched,order_ref,consignee"]
        + [f"d{c},2026-06-01,S01,{c},{n},O001,Someone" for c, n in gone.items()],
        "stock_count.csv": [f"{head},coverage,counted"]
        + [f"a{c},2026-05-01,S02,{c},whole,940" for c in LEFT]
        + [f"c{c},2026-07-01,S02,{c},whole,{n}" for c, n in counts.items()],
    }
    for name, lines in files.items():
        (nursery / "inbox" / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    formpack("import", cwd=nursery, code=None)
    return nursery


def test_what_is_left_of_groups_is_one_task_a_place(leftovers: Path) -> None:
    said = formpack("due", cwd=leftovers)
    assert "Clear out 2 remainders, 19 plants, in House 1: 26-0001-72 (11), 26-0002-69 (8)." in said
    assert "26-0003-66  Count the stock" in said
    found = json.loads(formpack("due", "--json", cwd=leftovers))
    assert {(t["group_code"], t["task"]) for t in found["due"]} == {
        ("26000172", "clear_out"),
        ("26000269", "clear_out"),
        ("26000366", "stock_count"),
    }
    assert found["clear_out"] == [{"place": "House 1", "plants": 19, "groups": [["26-0001-72", 11], ["26-0002-69", 8]]}]


def test_how_much_is_a_remainder_is_a_setting(leftovers: Path) -> None:
    with (leftovers / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write("[tolerances]\nremainder = 10\n")
    said = formpack("due", cwd=leftovers)
    assert "Clear out 1 remainder, 8 plants, in House 1: 26-0002-69 (8)." in said and "26-0001-72  Count the stock" in said


def test_a_group_counted_to_0_is_due_for_nothing_and_what_was_left_is_told(leftovers: Path) -> None:
    assert "26-0004-63" not in formpack("due", "--days", "400", cwd=leftovers)
    said = formpack("reconcile", cwd=leftovers, code=None)
    assert "Counted to 0: 1 group; 15 plants of the books vanished there without a record." in said
    assert "26-0004-63 (House 1): 15 plants of its book when it was counted to 0 on 1 July 2026." in said


def test_a_fixed_day_moves_what_is_due(nursery: Path) -> None:
    shutil.copytree(SAMPLES / "more_buds_read_than_set_and_too_early" / "inbox", nursery / "inbox", dirs_exist_ok=True)
    formpack("import", cwd=nursery, code=1)
    early = json.loads(formpack("due", "--as-of", "2026-07-10", "--days", "30", "--json", cwd=nursery))["due"]
    assert [(t["task"], t["due_on"], t["days_over"]) for t in early if t["task"] == "bud_take"] == [
        ("bud_take", "2026-07-22", -12)
    ]
    late = json.loads(formpack("due", "--json", cwd=nursery))["due"]
    assert ("cut_back", "2026-07-22") in [(t["task"], t["due_on"]) for t in late]


def test_init_keeps_what_is_there(tmp_path: Path) -> None:
    assert "Made nursery.toml" in formpack("init", "new", "--name", "Ours", cwd=tmp_path)
    (tmp_path / "new" / "lists" / "staff.csv").write_text("code,label\nS01,Abel\n", encoding="utf-8")
    assert "Everything was there already." in formpack("init", "new", cwd=tmp_path)
    assert "S01" in (tmp_path / "new" / "lists" / "staff.csv").read_text(encoding="utf-8")
    assert formpack("import", cwd=tmp_path / "new").startswith("There was no file to take in.")


def test_the_demo_does_not_land_on_other_things(tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("mine", encoding="utf-8")
    assert "holds something else" in formpack("demo", ".", cwd=tmp_path, code=2)


def test_help_pays_for_nothing_heavy() -> None:
    heavy = ("pandas", "pandera", "duckdb", "numpy", "matplotlib", "pyxform")
    code = f"import sys, pipeline.cli; print([m for m in {heavy} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
