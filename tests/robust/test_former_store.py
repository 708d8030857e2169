"""A store of the former layout is brought up by itself, and one of a later layout is left alone."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipeline import run, seals, store
from pipeline.office import backup
from pipeline.store import LAYOUT, Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import ROOT
from tests.robust.books import books_in, broken, nursery, tables_in

FORMER = "9ac65b6"
"""The last commit whose stores did not say their layout."""
FORMER_TABLES = """
CREATE SCHEMA kept; CREATE SCHEMA work; CREATE SCHEMA answers;
CREATE TABLE kept.raw_files (
    sha256 VARCHAR PRIMARY KEY, name VARCHAR, size BIGINT, content BLOB, received_at TIMESTAMP, received_on DATE);
CREATE TABLE kept.corrections (
    number BIGINT PRIMARY KEY, made_at TIMESTAMP, made_by VARCHAR, instance_id VARCHAR, kind VARCHAR, field VARCHAR,
    old_answer VARCHAR, new_answer VARCHAR, rule VARCHAR, reason VARCHAR);
CREATE TABLE kept.state_changes (changed_at TIMESTAMP, instance_id VARCHAR, state VARCHAR);
CREATE TABLE work.state (key VARCHAR PRIMARY KEY, value VARCHAR);
CREATE TABLE work.parsed_files (sha256 VARCHAR PRIMARY KEY);
CREATE TABLE work.received (
    sha256 VARCHAR, item INTEGER, place VARCHAR, form_hint VARCHAR, form_version VARCHAR, instance_id VARCHAR,
    deprecated_id VARCHAR, answers VARCHAR, twice VARCHAR, rule VARCHAR, why VARCHAR, reading_id VARCHAR);
CREATE TABLE work.readings (
    reading_id VARCHAR, instance_id VARCHAR, form_id VARCHAR, form_version VARCHAR, deprecated_id VARCHAR,
    canonical VARCHAR, group_code VARCHAR, visit_date DATE, staff_code VARCHAR, ended VARCHAR);
CREATE TABLE work.reading_findings (
    reading_id VARCHAR, rule VARCHAR, field VARCHAR, value VARCHAR, detail VARCHAR);
CREATE TABLE answers.bud_take (reading_id VARCHAR, green BIGINT, visit_date DATE);
CREATE TABLE work.states (instance_id VARCHAR, state VARCHAR, superseded_by VARCHAR);
CREATE TABLE work.submissions AS SELECT 'uuid:old' AS instance_id, 'accepted' AS state;
CREATE TABLE work.standing (group_code VARCHAR, estimate BIGINT);
CREATE TABLE work.chain_cache (mark VARCHAR, measures BLOB, low BIGINT, last BLOB);
CREATE VIEW main.submissions AS SELECT instance_id, state FROM work.submissions;
CREATE VIEW main.standing AS SELECT group_code, estimate FROM work.standing;
INSERT INTO kept.raw_files SELECT * FROM new.kept.raw_files;
INSERT INTO kept.corrections SELECT * FROM new.kept.corrections;
INSERT INTO kept.state_changes SELECT * FROM new.kept.state_changes;
INSERT INTO work.parsed_files SELECT sha256 FROM kept.raw_files;
INSERT INTO work.states SELECT instance_id, 'waiting', NULL FROM new.work.states;
"""


def with_a_correction(workspace: Workspace) -> None:
    """Three plants fewer were green than the phone said, and three more brown."""
    now, last = dt.datetime(2026, 9, 1, 12), "uuid:00000000-0000-4000-8000-000000000005"
    rows = [
        (1, now, "S01", last, "correct", "green", "44", "41", "", "misread"),
        (2, now, "S01", last, "correct", "brown", "11", "14", "", "misread"),
    ]
    with duckdb.connect(str(workspace.store_file)) as connection:
        connection.executemany("INSERT INTO kept.corrections VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)


def made_by_sql(workspace: Workspace, new: Workspace) -> None:
    with duckdb.connect(str(workspace.store_file)) as connection:
        connection.execute(f"ATTACH '{new.store_file}' AS new (READ_ONLY)")
        connection.execute(FORMER_TABLES)


def made_by_the_former_program(workspace: Workspace, new: Workspace) -> None:
    program = workspace.folder.parent / "former"
    program.mkdir()
    archive = subprocess.run(["git", "archive", FORMER], cwd=ROOT, capture_output=True, check=False)
    if archive.returncode:
        pytest.skip(f"the commit {FORMER} is not here")
    subprocess.run(["tar", "-x", "-C", str(program)], input=archive.stdout, check=True)
    take_in = (
        "import sys; from pathlib import Path; from pipeline import run; from pipeline.workspace import Workspace;"
        " w = Workspace(Path(sys.argv[1])); run.import_files(w, [w.inbox])"
    )
    former = [sys.executable, "-c", take_in, str(workspace.folder)]
    subprocess.run(former, cwd=program, check=True, env={**os.environ, "PYTHONPATH": str(program)})
    with_a_correction(workspace)
    subprocess.run(former, cwd=program, check=True, env={**os.environ, "PYTHONPATH": str(program)})


@pytest.mark.parametrize(
    ("make", "words"),
    [(made_by_sql, ["rebuild"]), (made_by_sql, ["import"]), (made_by_the_former_program, ["due"])],
)
def test_a_former_store_is_brought_up(make: Callable[[Workspace, Workspace], None], words: list[str], tmp_path: Path) -> None:
    new = nursery(tmp_path / "new")
    run.import_files(new, [new.inbox])
    with_a_correction(new)
    with run.opened(new):
        pass
    former = nursery(tmp_path / "nursery")
    make(former, new)
    with duckdb.connect(str(former.store_file)) as connection:
        kept = {t: connection.execute(f"FROM kept.{t}").fetchall() for t in ("raw_files", "corrections", "state_changes")}
    assert len(kept["corrections"]) == 2
    said = formpack(*words, cwd=former.folder)
    if words == ["due"]:
        assert said == formpack("due", cwd=new.folder) and "4 tasks" in said
    with run.opened(former) as (store, _):
        assert store.layout == LAYOUT
        for table, rows in kept.items():
            assert store.rows(f"FROM kept.{table}") == rows, table
        assert store.value("SELECT green FROM answers.bud_take ORDER BY green LIMIT 1") == 41
    assert tables_in(former.folder) == tables_in(new.folder)
    assert broken(former.folder) == []
    formpack("check", cwd=former.folder)


def test_a_bringing_up_that_is_stopped_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All that is dropped and made of another layout is one transaction."""
    new, former = nursery(tmp_path / "new"), nursery(tmp_path / "nursery")
    run.import_files(new, [new.inbox])
    made_by_sql(former, new)

    def stop(self: Store, again: bool = True) -> None:
        drop(self, again)
        raise KeyboardInterrupt

    drop = Store.drop_what_is_made
    with monkeypatch.context() as patched:
        patched.setattr(Store, "drop_what_is_made", stop)
        formpack("due", cwd=former.folder, code=2)
    with duckdb.connect(str(former.store_file), read_only=True) as connection:
        assert connection.execute("SELECT instance_id, state FROM submissions").fetchall() == [("uuid:old", "accepted")]
        assert connection.execute("SELECT count(*) FROM kept.raw_files").fetchall() == [(5,)]
    formpack("due", cwd=former.folder)
    assert len(books_in(former.folder)["files"]) == 5


def test_a_later_store_is_left_alone(tmp_path: Path) -> None:
    workspace = nursery(tmp_path)
    run.import_files(workspace, sorted(workspace.inbox.iterdir())[:2])
    with duckdb.connect(str(workspace.store_file)) as connection:
        connection.execute("UPDATE kept.layout SET number = number + 1")
    shutil.copy(workspace.store_file, tmp_path / "copy")
    first = "uuid:00000000-0000-4000-8000-000000000001"
    for words in (
        ["import"],
        ["rebuild"],
        ["due"],
        ["history", first],
        ["problems"],
        ["reconcile"],
        ["report"],
        ["export", "out"],
        ["check"],
        ["plan"],
    ):
        said = formpack(*words, cwd=tmp_path, code=2)
        assert said == "This store was written by a later version of formpack; use that version, or update this one.\n", words
        assert workspace.store_file.read_bytes() == (tmp_path / "copy").read_bytes(), words
        assert not list(tmp_path.glob("*.wal"))


def test_layout_4_is_brought_up_and_restored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which had seals, but neither codes nor what was printed; the seals go on where they were."""
    workspace = nursery(tmp_path / "nursery")
    new = ("codes", "printed")
    with monkeypatch.context() as patched:
        for module in (store, backup):
            patched.setattr(module, "LAYOUT", 4)
            patched.setattr(module, "KEPT", tuple(t for t in store.KEPT if t not in new))
        patched.setattr(backup, "_TABLES", tuple(t for t in backup._TABLES if t not in new))
        patched.setattr(seals, "APPENDED", tuple(t for t in seals.APPENDED if t not in new))
        patched.setattr(seals, "_SEALED", tuple(t for t in seals._SEALED if t not in new))
        without = "".join(s + ";" for s in store._KEPT.split(";")[:-1] if not any(f"kept.{t} " in s for t in new))
        # stages of today read what was printed: they are given nothing, which is taken away again
        columns = (
            "0::BIGINT AS number, now()::TIMESTAMP AS printed_at, today() AS printed_on, '' AS kind, '' AS about, '' AS shows"
        )
        nothing = f"CREATE VIEW IF NOT EXISTS kept.printed AS SELECT {columns} WHERE false;"
        patched.setattr(store, "_KEPT", without + nothing)
        run.import_files(workspace, [workspace.inbox])
        formpack("export", "../backup", cwd=workspace.folder)
        with Store.open(workspace.store_file) as former:
            former.connection.execute("DROP VIEW kept.printed")
        assert not (tmp_path / "backup" / "codes.csv").exists()
    formpack("rebuild", "--from", "../backup", "--workspace", "../restored", cwd=workspace.folder)
    for folder in (workspace.folder, tmp_path / "restored"):
        formpack("check", cwd=folder)
        with Store.open(folder / "store.duckdb", is_read_only=True) as opened:
            assert opened.layout == LAYOUT and opened.value("SELECT count(*) FROM kept.codes") == 0
            assert seals.faults(opened.connection) == []
            assert opened.value("SELECT count(*) FROM kept.seals WHERE what = 'layout'") == 2
