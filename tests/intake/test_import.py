from __future__ import annotations

import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from formpack.group_code import issue, shown
from pipeline import run
from pipeline.intake import ingest
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import DAY, ROOT, SAMPLES, every_table, looked_at, new_workspace, table

SCENARIO = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"


def _demo(folder: Path) -> Workspace:
    shutil.copytree(SAMPLES / "demo", folder, ignore=shutil.ignore_patterns("inbox"))
    (folder / "inbox").mkdir()
    return Workspace(folder)


def test_the_demo_nursery_is_as_large_and_as_faulty_as_life(demo: Workspace) -> None:
    assert len(list((SAMPLES / "demo" / "inbox").rglob("*.xml"))) >= 1500
    ((groups,),) = table(demo, "standing", "count(*)")
    assert groups >= 60
    assert len(table(demo, "take_rates", "level", "\"by\" = 'team'")) == 8
    assert len(table(demo, "take_rates", "level", "\"by\" = 'rootstock'")) == 8
    assert len(table(demo, "take_rates", "level", "\"by\" = 'scion'")) == 10
    stages = {s for (s,) in table(demo, "standing", "DISTINCT stage")}
    assert stages == {"tray", "bag", "budded", "read", "cut_back", "staked", "topped", "gone"}
    rules = {r for (r,) in table(demo, "problems", "DISTINCT rule")}
    assert rules >= set(
        """
        bad_code impossible_value missing_answer wrong_type not_in_list double_entry waits_for_group waits_for_lot
        outside_expected more_read_than_set late_reading pair_on_list old_list thin_stem
        """.split()
    )
    states = {s for (s,) in table(demo, "submissions", "DISTINCT state")}
    assert states == {"accepted", "waiting", "quarantined", "superseded"}


@pytest.mark.parametrize("kind", ["csv", "ndjson", "zip"])
def test_the_demo_comes_out_alike_from_every_container(kind: str, demo: Workspace, tmp_path: Path) -> None:
    workspace = _demo(tmp_path / "nursery")
    if kind == "zip":
        with zipfile.ZipFile(workspace.inbox / "phones.zip", "w") as archive:
            for path in (path for path in (SAMPLES / "demo" / "inbox").rglob("*") if path.is_file()):
                archive.write(path, path.relative_to(SAMPLES))
    else:
        command = [sys.executable, str(SAMPLES / "generate.py"), "--as", kind, str(workspace.inbox)]
        subprocess.run(command, check=True, cwd=ROOT)
    for path in (SAMPLES / "demo" / "inbox").glob("*.csv"):
        shutil.copy(path, workspace.inbox)
    run.import_files(workspace, [workspace.inbox])
    assert every_table(workspace) == every_table(demo)


def test_importing_twice_changes_nothing(demo: Workspace) -> None:
    before = every_table(demo, ())
    again = run.import_files(demo, [SAMPLES / "demo" / "inbox"])
    assert (again.new_files, again.new_submissions) == (0, 0)
    assert every_table(demo, ()) == before


def test_rebuild_makes_the_same_tables(demo: Workspace) -> None:
    before = every_table(demo, ())
    with Store.open(demo.store_file) as store:
        run.rebuild(store, demo)
    assert every_table(demo, ()) == before


def test_what_was_kept_by_a_run_that_died_is_taken_up_by_the_next(workspace: Workspace) -> None:
    files = sorted(SCENARIO.iterdir())
    with Store.open(workspace.store_file) as store:
        ingest.keep(store, files, DAY, run.no_progress)
    done = run.import_files(workspace, [])
    assert done.states["accepted"] == 5


def test_waiting_submissions_are_taken_up_when_the_group_arrives(workspace: Workspace) -> None:
    files = sorted(SCENARIO.iterdir())
    assert run.import_files(workspace, files[1:]).states == {
        "accepted": 0,
        "waiting": 4,
        "quarantined": 0,
        "superseded": 0,
        "withdrawn": 0,
    }
    assert run.import_files(workspace, files[:1]).states["accepted"] == 5


def test_a_list_that_is_filled_in_later_frees_what_it_kept_out(workspace: Workspace) -> None:
    staff = workspace.lists / "staff.csv"
    whole = staff.read_text(encoding="utf-8")
    staff.write_text("code,label,active\nS01,Abel,yes\n", encoding="utf-8")
    files = sorted(SCENARIO.iterdir())
    assert run.import_files(workspace, files).states["quarantined"] == 5
    staff.write_text(whole, encoding="utf-8")
    assert run.import_files(Workspace(workspace.folder), []).states["accepted"] == 5


def test_a_form_that_is_added_later_frees_what_was_unknown(tmp_path: Path) -> None:
    own = SAMPLES / "a_form_of_the_nursery_s_own"
    workspace = new_workspace(tmp_path)
    assert run.import_files(workspace, [own / "inbox"]).states["accepted"] == 1
    shutil.copytree(own / "forms", tmp_path / "forms", dirs_exist_ok=True)
    assert run.import_files(Workspace(tmp_path), []).states["accepted"] == 2


def test_two_contents_under_one_identity_are_kept_out_whichever_came_first(tmp_path: Path) -> None:
    opening = SAMPLES / "the_same_count_is_sent_twice" / "inbox" / "opening.xml"
    count = (SAMPLES / "the_same_count_is_sent_twice" / "inbox" / "count.xml").read_text(encoding="utf-8")
    books = []
    for order in ((958, 859), (859, 958)):
        workspace = new_workspace(tmp_path / str(order[0]))
        run.import_files(workspace, [opening])
        for number in order:
            (workspace.inbox / f"{number}.xml").write_text(count.replace("958", str(number)), encoding="utf-8")
            run.import_files(workspace, [workspace.inbox / f"{number}.xml"])
        books.append(every_table(workspace))
        assert table(workspace, "problems", "rule, severity") == [("two_versions", "stop")]
        assert table(workspace, "counts") == []
    assert books[0] == books[1]


def test_an_older_form_version_is_a_note(workspace: Workspace, take_in: Callable[..., run.Imported]) -> None:
    opening = (SCENARIO / "1.xml").read_text(encoding="utf-8")
    done = take_in({"1.xml": re.sub(r'version="\d+"', 'version="2020010101"', opening, count=1)})
    assert done.states["accepted"] == 1
    assert table(workspace, "problems", "rule, severity, value") == [("unknown_version", "note", "2020010101")]


EVIL = (
    "'; DROP TABLE kept.raw_files; --",
    "=cmd|' /C calc'!A0",
    "\u202egpj.exe",
    "x" * 1_000_000,
    '"quoted", and more',
    "{label} {0}",
    "<script>alert(1)</script>",
)


def test_hostile_text_is_only_text(workspace: Workspace, take_in: Callable[..., run.Imported]) -> None:
    """As the key, the note and the staff code of a submission, all of them in one nursery."""
    import json

    opening = {
        "form_id": "open_group",
        "visit_date": "2026-02-01",
        "staff_code": "S01",
        "seed_lot": "L2601-CARR",
        "rootstock": "CARRIZO",
        "sow_date": "2025-11-01",
        "lifted": 100,
        **dict.fromkeys("cull_off_type cull_bent_root cull_etiolated cull_weak cull_other".split(), 0),
        "planted": 100,
        "location": "H1",
    }
    files = {}
    for number, (evil, code) in enumerate(zip(EVIL, issue(2026, 12, len(EVIL)), strict=True)):
        said = {**opening, "KEY": evil[:60], "group_code": shown(code), "note": evil}
        files[f"{number}a.ndjson"] = json.dumps(said)
        files[f"{number}b.ndjson"] = json.dumps({**said, "KEY": f"b{number}", "staff_code": evil})
    done = take_in(files)
    assert done.states["accepted"] == done.states["quarantined"] == len(EVIL)
    with looked_at(workspace) as store:
        notes = store.rows("SELECT note FROM answers.open_group WHERE staff_code = 'S01' ORDER BY group_code")
        assert notes == [(evil,) for evil in EVIL]
        from pipeline.report import write_report

        page = write_report(store, workspace)[0].read_text(encoding="utf-8")
    assert page.count("<script") == 1  # that of the page


def test_what_is_parsed_anew_stands_there_once(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    files = sorted(SCENARIO.iterdir())
    run.import_files(workspace, files[:-1])
    monkeypatch.setattr("pipeline.intake.validate.PARSER", "a later one")
    assert run.import_files(workspace, files[-1:]).states["accepted"] == 5
    with looked_at(workspace) as store:
        assert store.value("SELECT count(*) FROM answers.open_group") == 1
    with Store.open(workspace.store_file) as store:
        assert run.differs_when_rebuilt(store, workspace) == []


def test_a_sum_that_does_not_add_up_is_shown(workspace: Workspace) -> None:
    run.import_files(workspace, [SAMPLES / "seedlings_that_do_not_add_up" / "inbox"])
    ((message,),) = table(workspace, "problems", "message")
    assert re.search(r"\(\d[\d,]*\): Lifted must equal .*\(([\d,]+) - ([\d,]+) = ([\d,]+)\)\.$", message), message
    whole, taken, left = (int(n.replace(",", "")) for n in re.findall(r"[\d,]+", message[message.rindex("(") :]))
    assert whole - taken == left


ROUND = {"visit_date": "2026-04-01", "staff_code": "S02", "group_code": "26-0012-39", "coverage": "whole", "counted": 938}
COUNTS = dict.fromkeys("cull_off_type cull_bent_root cull_etiolated cull_weak cull_disease cull_other dead".split(), 0)


SAID: tuple[tuple[dict[str, object], str | None], ...] = (
    # of an older version of the form, or typed in the office: the question is not missed
    (COUNTS | {"cull_weak": 5}, None),
    (COUNTS | {"cull_weak": 5, "any_out": "yes"}, None),
    ({"any_out": "no"}, None),
    ({"any_out": "yes"}, "missing_answer"),
    ({}, "missing_answer"),
    (COUNTS | {"any_out": "no"}, "not_asked"),
    (COUNTS | {"any_out": "No"}, "impossible_value"),
)
"""What a record says of plants taken out, and the rule that it breaks."""


def test_whether_anything_was_taken_out_may_be_said_once(workspace: Workspace, take_in: Callable[..., run.Imported]) -> None:
    """Each record is of a group of its own."""
    import json

    opening = (SAMPLES / "a_group_walked_in_two_parts" / "inbox" / "opening.xml").read_text(encoding="utf-8")
    (code,) = set(re.findall(r"<group_code>([^<]*)", opening))
    (identity,) = set(re.findall(r"<instanceID>([^<]*)", opening))
    groups = issue(2026, 712, len(SAID))
    for number, group in enumerate(groups):
        text = opening.replace(code, group).replace(identity, f"{identity[:-1]}{number}")
        (workspace.inbox / f"{number}.xml").write_text(text, encoding="utf-8")
    assert run.import_files(workspace, [workspace.inbox]).states["accepted"] == len(SAID)
    ((stood,),) = table(workspace, "standing", "DISTINCT book_count")
    records = [
        json.dumps({"form_id": "cull_round", "KEY": group, **ROUND, "group_code": shown(group), **said})
        for group, (said, _) in zip(groups, SAID, strict=True)
    ]
    taken = take_in({"cull_round.ndjson": "\n".join(records)})
    assert taken.states["quarantined"] == sum(rule is not None for _, rule in SAID)
    stops = set(table(workspace, "problems", "instance_id, rule", "severity = 'stop'"))
    assert stops == {(group, rule) for group, (_, rule) in zip(groups, SAID, strict=True) if rule}
    standing = dict(table(workspace, "standing", "group_code, book_count"))
    gone = [int(str(said.get("cull_weak", 0))) if rule is None else 0 for said, rule in SAID]
    assert [standing[group] for group in groups] == [stood - many for many in gone]
    counted = table(workspace, "counts", "group_code, counted")
    assert sorted(counted) == [(group, 938) for group, (_, rule) in zip(groups, SAID, strict=True) if rule is None]
