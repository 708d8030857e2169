"""Damage done to a store behind the program's back is named by `check`, and by what would publish it."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import duckdb
import pytest

from pipeline import run
from pipeline.cli.check import before_the_books
from pipeline.findings import Refused
from pipeline.store import KEPT as KEPT_TABLES
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import DAY, SAMPLES, new_workspace
from tests.office.test_correct import MINUS, decide

ONE = "(SELECT min(rowid) FROM {})"
MADE = {
    "an answer": "UPDATE answers.stock_count SET counted = counted + 1",
    "an answer gone": f"DELETE FROM answers.stock_count WHERE rowid = {ONE.format('answers.stock_count')}",
    "a reading": f"DELETE FROM work.readings WHERE rowid = {ONE.format('work.readings')}",
    "who signed": "UPDATE work.readings SET staff_code = 'S09'",
    "a text received": "UPDATE work.received SET texts = list_transform(texts, lambda x: 'x')",
    "a heading": "UPDATE work.received SET heading = replace(heading, 'counted', 'note')",
    "a finding": "INSERT INTO work.reading_findings SELECT reading_id, 'wrong_type', 'counted', 'x', '' FROM work.readings",
    "what was parsed": "DELETE FROM work.parsed_files",
    "tables read": "UPDATE work.headings SET why = 'x'",
    "a state": "UPDATE work.states SET state = 'withdrawn' WHERE instance_id = 'k4'",
    "a submission gone": "DELETE FROM work.states WHERE instance_id = 'k4'",
    "a movement": "UPDATE work.movements SET quantity = quantity + 1",
    "what stands": "UPDATE work.standing SET estimate = estimate + 7",
    "a count": "UPDATE work.counts SET counted = 9",
    "what is due": "DELETE FROM work.due",
    "a problem": "DELETE FROM work.problems",
    "what counts as an edit": "UPDATE work.current SET visit_date = visit_date + 1",
    "a sum": "UPDATE work.standing_sums SET plants = 1",
    "what chains are": "UPDATE work.chain_beliefs SET position = position + 1",
    "a list as read": "DELETE FROM work.list_staff",
    "what a stage read": "UPDATE work.state SET value = replace(value, '\"read\"', '\"made\"') WHERE key = 'stages'",
    "marks": "UPDATE work.state SET value = '{}' WHERE key = 'stages'",
    "the forms of before": "UPDATE work.state SET value = 'x' WHERE key = 'forms'",
    "corrections seen": "UPDATE work.state SET value = '0' WHERE key = 'corrections_seen'",
    "all marks": "DELETE FROM work.state",
    "no marks": "DROP TABLE work.state",
    "a key that changed": "INSERT INTO work.changes VALUES ('movements', 1, 'group_code', 'x')",
    "a table": "DROP TABLE work.movements",
    "a table of answers": "DROP TABLE answers.stock_count",
    "a table of texts": "DROP TABLE work.received",
    "a column": "ALTER TABLE work.standing DROP COLUMN low",
    "a type": "ALTER TABLE work.readings ALTER staff_code TYPE BLOB USING staff_code::BLOB",
    "a view": "CREATE OR REPLACE VIEW main.standing AS SELECT * REPLACE (1 AS estimate) FROM work.standing",
    "a view gone": "DROP VIEW main.due",
    "a view of answers": 'CREATE OR REPLACE VIEW main."answers_stock_count" AS SELECT 1 AS counted',
}
"""What is made again by `rebuild`."""
KEPT = {
    "a day": "UPDATE kept.raw_files SET received_on = received_on + 1",
    "a time": "UPDATE kept.raw_files SET received_at = received_at + INTERVAL 1 HOUR",
    "a name": "UPDATE kept.raw_files SET name = 'other.csv'",
    "bytes": "UPDATE kept.raw_files SET content = content || 'x'::BLOB",
    "bytes gone": "UPDATE kept.raw_files SET content = NULL",
    "a file": f"DELETE FROM kept.raw_files WHERE rowid = {ONE.format('kept.raw_files')}",
    "a file and all of it": """
        CREATE TEMP TABLE gone AS SELECT min(sha256) AS sha256 FROM kept.raw_files;
        DELETE FROM kept.raw_files WHERE sha256 IN (FROM gone); DELETE FROM work.parsed_files WHERE sha256 IN (FROM gone);
        DELETE FROM work.received WHERE sha256 IN (FROM gone); DELETE FROM work.readings WHERE sha256 IN (FROM gone)""",
    "who corrected": "UPDATE kept.corrections SET made_by = 'S02'",
    "a reason": "UPDATE kept.corrections SET reason = 'other'",
    "a new answer": "UPDATE kept.corrections SET new_answer = '95' WHERE kind = 'correct'",
    "a correction": "DELETE FROM kept.corrections WHERE number = 1",
    "the last correction": "DELETE FROM kept.corrections WHERE number = (SELECT max(number) FROM kept.corrections)",
    "a correction more": "INSERT INTO kept.corrections SELECT * REPLACE (99 AS number) FROM kept.corrections WHERE number = 1",
    "the history": f"DELETE FROM kept.state_changes WHERE rowid = {ONE.format('kept.state_changes')}",
    "a state of before": "UPDATE kept.state_changes SET state = 'accepted'",
    "a row of a list": "UPDATE kept.list_rows SET texts = replace(texts, 'House', 'Shed')",
    "a code": "DELETE FROM kept.list_rows WHERE list_name = 'staff' AND code = 'S01'",
    "what a form asked": "UPDATE kept.form_versions SET asked = '[]'",
    "a version": "DELETE FROM kept.form_versions WHERE form_id = 'bud_take'",
    "a named form": "INSERT INTO kept.named_forms VALUES ('x', 'bud_take')",
    "a name of a file": "INSERT INTO kept.file_names VALUES ('x', 'y', now()::TIMESTAMP)",
    "what was passed over": "INSERT INTO kept.passed_over VALUES ('x', 'y', 'z', now()::TIMESTAMP)",
    "what was not taken": "INSERT INTO kept.not_taken VALUES ('x', 'y', current_date)",
    "the layout": "UPDATE kept.layout SET number = 3",
    "no layout": "DELETE FROM kept.layout",
    "a seal": "UPDATE kept.seals SET total = '1' WHERE number = 2",
    "a seal gone": "DELETE FROM kept.seals WHERE number = 2",
    "the last seal": "DELETE FROM kept.seals WHERE number = (SELECT max(number) FROM kept.seals)",
    "all seals": "DELETE FROM kept.seals",
    "no seals": "DROP TABLE kept.seals",
    "no corrections": "DROP TABLE kept.corrections",
    "no files": "DROP TABLE kept.raw_files",
    "no list rows": "DROP TABLE kept.list_rows",
    "no reason": "ALTER TABLE kept.corrections DROP COLUMN reason",
    "no columns of the history": "ALTER TABLE kept.state_changes ALTER changed_at TYPE VARCHAR",
}
"""What is not, and comes back from a backup only."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A nursery with files of two kinds, corrections, and all tables."""
    workspace = new_workspace(tmp_path_factory.mktemp("sound") / "nursery")
    run.import_files(workspace, [SAMPLES / "a_table_typed_in_the_office_with_faults" / "inbox"])
    run.import_files(workspace, [SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"], show=run.EVERYTHING)
    decide(workspace, MINUS, {"rule": "wrong_type", "on": "k5", "decision": "withdraw", "reason": "test entry"})
    with run.opened(workspace):
        return workspace


@pytest.fixture
def damaged(sound: Workspace, tmp_path: Path) -> Workspace:
    shutil.copytree(sound.folder, tmp_path / "nursery")
    return Workspace(tmp_path / "nursery")


def harm(workspace: Workspace, statements: str) -> None:
    with duckdb.connect(str(workspace.store_file)) as connection:
        connection.execute(statements)


def test_a_sound_store_passes(sound: Workspace) -> None:
    formpack("check", cwd=sound.folder)


@pytest.mark.parametrize("what", [MADE, KEPT])
def test_every_damage_is_named(what: dict[str, str], damaged: Workspace) -> None:
    """Each is done and undone in the one store."""
    with Store.open(damaged.store_file) as store:
        assert before_the_books(store, "")[1] == []
        for name, statements in what.items():
            store.connection.execute("BEGIN")
            store.connection.execute(statements)
            try:
                is_current = store.is_current
            except Refused as wrong:
                assert "is damaged: " in str(wrong) and "rebuild --from BACKUP" in str(wrong)
            else:
                places = {proof: places for proof, _, places in before_the_books(store, "")[0]}
                assert is_current and places["made_whole" if what is MADE else "kept_whole"] + places["bytes_kept"], name
            store.connection.execute("ROLLBACK")
        assert before_the_books(store, "")[1] == []


ENDS = [
    "an answer",
    "a text received",
    "marks",
    "no marks",
    "a table of texts",
    "a column",
    "a view gone",
    "a file and all of it",
]
ENDS += ["bytes gone", "the last correction", "the layout", "no layout", "all seals", "no seals", "no corrections", "no reason"]


@pytest.mark.parametrize("what", ENDS)
def test_check_says_it_and_changes_nothing(what: str, damaged: Workspace) -> None:
    harm(damaged, (MADE | KEPT)[what])
    before = damaged.store_file.read_bytes()
    said = formpack("check", cwd=damaged.folder, code=None)
    assert "not at" in said or "is damaged" in said, said
    assert "`formpack rebuild" in said and damaged.store_file.read_bytes() == before


@pytest.mark.parametrize("some", [("an answer", "a view", "what stands"), ("a text received",), ("marks", "a table")])
def test_it_is_not_published(some: tuple[str, ...], damaged: Workspace) -> None:
    harm(damaged, "; ".join(MADE[what] for what in some))
    more = str(SAMPLES / "two_groups_are_put_together" / "inbox")
    for command in (["report"], ["forms"], ["import", more]):
        assert "`formpack rebuild` makes everything again" in formpack(*command, cwd=damaged.folder, code=2), command
        assert not any(damaged.reports.iterdir()) and not any(damaged.phone.iterdir())
    formpack("rebuild", cwd=damaged.folder)  # and what came in meanwhile is in it
    assert "\nno " not in formpack("check", cwd=damaged.folder)


def test_what_is_kept_stays_damaged_after_rebuild(damaged: Workspace) -> None:
    harm(damaged, "; ".join(KEPT[what] for what in ("a correction", "the history", "a day")))
    for command in ("report", "forms"):
        assert "`formpack rebuild --from BACKUP" in formpack(command, cwd=damaged.folder, code=2), command
    formpack("rebuild", cwd=damaged.folder)
    formpack("import", str(SAMPLES / "two_groups_are_put_together" / "inbox"), cwd=damaged.folder, code=None)
    said = formpack("check", cwd=damaged.folder, code=1)
    for name in ("corrections, which has 1 row fewer", "raw_files, whose rows", "state_changes, which has"):
        assert f"not at kept.{name}" in said


def test_what_cannot_be_made_again_is_not_dropped(damaged: Workspace) -> None:
    """Where the bytes of a file are gone, what was made of it still stands."""
    stood = formpack("reconcile", cwd=damaged.folder, code=None)
    harm(damaged, KEPT["bytes gone"])
    assert "kept bytes are gone or altered, of file" in formpack("rebuild", cwd=damaged.folder, code=2)
    assert formpack("reconcile", cwd=damaged.folder, code=None) == stood


def test_what_a_command_shows_is_proved_first(damaged: Workspace) -> None:
    harm(damaged, f"{MADE['what is due']}; {MADE['a problem']}")
    assert "these tables are not as they were made: due." in formpack("due", cwd=damaged.folder, code=2)
    assert "these tables are not as they were made: problems." in formpack("problems", cwd=damaged.folder, code=2)


def test_everything_that_is_kept_is_sealed(damaged: Workspace) -> None:
    """Whatever writes: imports, names of forms, decisions, other lists, a new day."""
    staff = damaged.lists / "staff.csv"
    staff.write_text(staff.read_text(encoding="utf-8") + "S99,Somebody new,\n", encoding="utf-8")
    sheet = damaged.inbox / "typed.csv"
    sheet.write_text("group_code,visit_date\n,\n", encoding="utf-8")
    formpack("import", str(sheet), "--form", "stock_count", cwd=damaged.folder, code=None)
    formpack("due", "--as-of", str(DAY + dt.timedelta(400)), cwd=damaged.folder, code=None)
    first = formpack("check", "--json", cwd=damaged.folder)
    with Store.open(damaged.store_file, is_read_only=True) as store:
        sealed = {what for (what,) in store.rows("SELECT what FROM kept.seals")}
        assert sealed >= {t for t in KEPT_TABLES if t != "seals" and store.value(f"SELECT count(*) FROM kept.{t}")}
    seal = json.loads(first)["last_seal"]
    formpack("rebuild", cwd=damaged.folder)
    formpack("check", "--seal", seal, cwd=damaged.folder)
    harm(damaged, "DELETE FROM kept.seals WHERE number = (SELECT max(number) FROM kept.seals)")
    assert f"not at seal {seal}, which" in formpack("check", "--seal", seal, cwd=damaged.folder, code=1)
