"""One bad file, folder or name never stops the rest, and what broke a run is not tried again as if nothing had happened."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from formpack import sheets, submission
from formpack.words import unpacked
from pipeline import run
from pipeline.findings import Refused
from pipeline.intake import ingest, trials, validate
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import ROOT, every_table, table
from tests.hostile.corpus import xml
from tests.received import read

ROW = "KEY,visit_date,staff_code,group_code,coverage,counted\nk,2026-04-01,S01,26000135,whole,958\n"


def said(workspace: Workspace) -> list[tuple[Any, ...]]:
    return sorted(table(workspace, "problems", "rule, message", "rule IN ('not_taken', 'passed_over', 'unreadable_file')"))


def states(workspace: Workspace) -> dict[str, str]:
    return dict(table(workspace, "submissions", "instance_id, state"))


# -- files that cannot be had


def test_what_cannot_be_taken_is_said_and_the_rest_is_taken(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    inbox = workspace.inbox
    (inbox / "good.xml").write_bytes(xml("good"))
    with open(os.fsencode(inbox) + b"/\xff\xfe.xml", "wb") as file:
        file.write(xml("named"))
    (inbox / "folder.xml").mkdir()
    (inbox / "folder.xml" / "inside.xml").write_bytes(xml("inside"))
    (inbox / "link.xml").symlink_to("good.xml")
    (inbox / "round").symlink_to(inbox)
    os.mkfifo(inbox / "pipe.xml")
    for name in ("gone.xml", "locked.xml", "broken.xml"):
        (inbox / name).write_bytes(xml(name))
    with (inbox / "large.zip").open("wb") as file:
        file.truncate(ingest.MOST_BYTES + 1)
    wrong = {
        "gone.xml": FileNotFoundError(2, "x"),
        "locked.xml": PermissionError(13, "x"),
        "broken.xml": OSError(5, "I/O error"),
    }
    opened = Path.open

    def open_(self: Path, *words: Any, **more: Any) -> Any:
        if self.name in wrong:
            raise wrong[self.name]
        return opened(self, *words, **more)

    monkeypatch.setattr(Path, "open", open_)
    done = run.import_files(workspace, [inbox, inbox / "not there"])
    assert sorted(states(workspace)) == ["good", "inside", "named"] and done.not_taken == 8
    assert [message for _, message in said(workspace)] == [
        "inbox/broken.xml: not taken in, because it cannot be opened: I/O error.",
        "inbox/gone.xml: not taken in, because it was there and is gone; import it from where it is now.",
        "inbox/large.zip: not taken in, because it is larger than 4 GB; split it and import the parts.",
        "inbox/link.xml: not taken in, because it is a link, and links are not followed; import what it points to.",
        "inbox/locked.xml: not taken in, because it may not be read; give this user the right to read it.",
        "inbox/not there: not taken in, because it is neither a file nor a folder; look at the spelling.",
        "inbox/pipe.xml: not taken in, because it is no ordinary file; put a copy of what it holds there.",
        "inbox/round: not taken in, because it is a link, and links are not followed; import what it points to.",
    ]
    wrong.clear()
    for name in ("large.zip", "link.xml", "round", "pipe.xml"):
        (inbox / name).unlink()
    run.import_files(workspace, [inbox])
    assert len(states(workspace)) == 6 and said(workspace) == []
    with pytest.raises(Refused, match="neither a file nor a folder"):
        run.import_files(workspace, [inbox / "not there"])


def test_the_nursery_s_own_folder_is_one_finding(workspace: Workspace) -> None:
    (workspace.inbox / "good.xml").write_bytes(xml("good"))
    done = run.import_files(workspace, [workspace.folder])
    assert list(states(workspace)) == ["good"] and (done.files, done.not_taken) == (1, 1)
    ((_, message),) = said(workspace)
    assert message.startswith("The folder of this nursery: not taken in, because it holds the lists")
    run.import_files(workspace, [workspace.inbox])
    assert said(workspace) == []


def test_a_file_that_is_being_written_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x" * (ingest._PIECE + 1))
    with (tmp_path / "a").open("rb") as file, pytest.raises(ingest.NotTaken, match="still being written"):
        for _ in ingest._pieces(file):
            (tmp_path / "a").write_bytes(b"y" * (ingest._PIECE + 2))


def test_photos_and_large_files_stand_beside_the_store(workspace: Workspace, tmp_path: Path) -> None:
    (workspace.inbox / "photo.jpg").write_bytes(b"\xff\xd8 a photo")
    large = b'{"form_id": "loss", "KEY": "large", "note": "' + b"x" * ingest._APART + b'"}'
    (workspace.inbox / "large.json").write_bytes(large)
    (workspace.inbox / "small.xml").write_bytes(xml("small"))
    (workspace.folder / "kept").mkdir()
    (workspace.folder / "kept" / ".new-left").write_bytes(b"of a run that was stopped")
    run.import_files(workspace, [workspace.inbox])
    with Store.open(workspace.store_file) as store:
        rows = store.rows("SELECT sha256, name, content IS NULL FROM kept.raw_files ORDER BY name")
        assert [row[1:] for row in rows] == [("large.json", True), ("photo.jpg", True), ("small.xml", False)]
        for sha, name, _ in rows:
            ingest.copy_out(store, sha, tmp_path / name)
            assert (tmp_path / name).read_bytes() == (workspace.inbox / name).read_bytes()
            assert ingest.digest_of(store, sha) == sha
        assert len([p for p in (workspace.folder / "kept").rglob("*") if p.is_file()]) == 2
    assert sorted(states(workspace)) == ["large", "small"]
    formpack("rebuild", cwd=workspace.folder)
    formpack("export", "../backup", cwd=workspace.folder)
    formpack("rebuild", "--from", "../backup", "--workspace", "../new", cwd=workspace.folder)
    for there in (workspace, Workspace(workspace.folder.parent / "new")):
        formpack("check", cwd=there.folder)
        assert sorted(states(there)) == ["large", "small"]
        assert len([p for p in (there.folder / "kept").rglob("*") if p.is_file()]) == 2
    away = ingest.apart(workspace.folder / "kept", sha := hashlib.sha256(large).hexdigest())
    away.rename(tmp_path / "away")
    with Store.open(workspace.store_file) as store, store.transaction():  # so that it is read again
        store.connection.execute("INSERT INTO kept.named_forms VALUES (?, 'loss')", [sha])
    run.import_files(workspace, [])
    assert "small" in states(workspace) and "its kept bytes cannot be had" in said(workspace)[0][1]
    (tmp_path / "away").rename(away)
    formpack("import", "--again", cwd=workspace.folder, code=None)
    assert sorted(states(workspace)) == ["large", "small"] and said(workspace) == []


def test_nothing_is_left_aside_where_a_photo_cannot_be_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    for owner, name in ((os, "fsync"), (Path, "replace")):
        with monkeypatch.context() as patched:
            patched.setattr(owner, name, refuse)
            with pytest.raises(OSError, match="No space"):
                ingest._put_apart([b"a photo"], tmp_path / "kept")
        assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


# -- the same bytes, to be read otherwise


def test_the_same_bytes_under_a_better_name_are_read_as_it_says(workspace: Workspace) -> None:
    found = []
    for name in ("counts.txt", "counts.csv", "stock_count.csv", "any.csv"):
        (workspace.inbox / name).write_text(ROW)
        run.import_files(workspace, [workspace.inbox])
        found.append(sorted(table(workspace, "problems", "rule")))
        (workspace.inbox / name).unlink()
    assert found == [[("unreadable_file",)], [("unknown_form",)], [("bad_code",)], [("bad_code",)]]
    before = every_table(workspace, ())
    formpack("rebuild", cwd=workspace.folder)
    assert every_table(workspace, ()) == before


# -- files that break the program


def poison(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the program fail on any XML that says boom."""
    parse = submission._xml

    def fail(content: bytes, place: str) -> submission.Item:
        if b"boom" in content:
            raise KeyError("boom")
        return parse(content, place)

    monkeypatch.setattr(submission, "_xml", fail)


def test_a_file_on_which_the_program_fails_is_passed_over(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("before", "boom", "later"):
        (workspace.inbox / f"{name}.xml").write_bytes(xml(name))
    with monkeypatch.context() as patched:
        poison(patched)
        run.import_files(workspace, [workspace.inbox])
        assert sorted(i for i in states(workspace) if not i.startswith("unread")) == ["before", "later"]
        ((rule, message),) = said(workspace)
        assert rule == "passed_over" and "boom.xml: it breaks the program that reads it (KeyError: 'boom')" in message
        before = every_table(workspace, ())
        formpack("rebuild", cwd=workspace.folder)
        assert every_table(workspace, ()) == before
    tried = []
    monkeypatch.setattr(validate, "broken", lambda *words: tried.append(words) or {})
    run.import_files(workspace, [workspace.inbox])
    assert len(said(workspace)) == 1 and not tried, "it is not tried again by itself"
    formpack("import", "--again", cwd=workspace.folder, code=1)
    assert sorted(states(workspace)) == ["before", "boom", "later"] and said(workspace) == [] and len(tried) == 1


KILLED = """
import os, signal, sys; from pathlib import Path
from formpack import submission; from pipeline import run; from pipeline.workspace import Workspace
parse = submission._xml
submission._xml = lambda c, p: os.kill(os.getpid(), signal.SIGKILL) if b'boom' in c else parse(c, p)
for _ in range(int(sys.argv[2])):
    if not (pid := os.fork()):
        w = Workspace(Path(sys.argv[1])); run.import_files(w, [w.inbox])
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == -signal.SIGKILL
"""


def killed_import(workspace: Workspace, times: int = 1) -> None:
    """Imports that are killed while they read the file that says boom."""
    subprocess.run([sys.executable, "-c", KILLED, str(workspace.folder), str(times)], cwd=ROOT, check=True)


def test_a_file_that_kills_a_run_is_tried_by_itself(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("before", "boom", "later"):
        (workspace.inbox / f"{name}.xml").write_bytes(xml(name))
    killed_import(workspace)
    copy = Workspace(shutil.copytree(workspace.folder, workspace.folder.parent / "copy"))

    run.import_files(workspace, [])  # it was not the file: it comes through, tried in a process of its own
    assert sorted(states(workspace)) == ["before", "boom", "later"]
    assert not (workspace.folder / ".being-read").exists()

    with monkeypatch.context() as patched:  # it was the file
        patched.setattr(trials, "MOST_MEMORY", 0)
        run.import_files(copy, [])
    assert {rule for rule, _ in said(copy)} == {"passed_over"} and "MB of memory" in said(copy)[0][1]
    run.import_files(copy, [])
    assert "boom" not in states(copy) and len(states(copy)) == 3
    with Store.open(copy.store_file) as store:  # as if by another program
        store.connection.execute("UPDATE kept.passed_over SET program = 'another'")
    run.import_files(copy, [])
    assert sorted(states(copy)) == ["before", "boom", "later"] and said(copy) == []


def test_a_file_that_kills_runs_for_ever_is_passed_over(workspace: Workspace) -> None:
    """It comes through when it is tried, and stops the run all the same: with others first, then alone."""
    for name in ("before", "boom"):
        (workspace.inbox / f"{name}.xml").write_bytes(xml(name))
    killed_import(workspace, 3)
    run.import_files(workspace, [])
    assert [rule for rule, _ in said(workspace)] == ["passed_over"] and unpacked(trials.ALONE) in said(workspace)[0][1]
    assert "before" in states(workspace)


def test_a_run_that_a_person_stops_suspects_the_file_being_read(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("before", "boom", "later"):
        (workspace.inbox / f"{name}.xml").write_bytes(xml(name))
    parse = submission._xml

    def stop(content: bytes, place: str) -> submission.Item:
        if b"boom" in content:
            raise KeyboardInterrupt
        return parse(content, place)

    with monkeypatch.context() as patched:
        patched.setattr(submission, "_xml", stop)
        formpack("import", cwd=workspace.folder, code=2)
    tried = []
    monkeypatch.setattr(validate, "broken", lambda store, folder, suspects: tried.extend(suspects) or {})
    run.import_files(workspace, [workspace.inbox])
    assert [suspect.name for suspect in tried] == ["boom.xml"] and sorted(states(workspace)) == ["before", "boom", "later"]


def test_of_many_suspects_only_those_that_break_are_passed_over(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    runs = []

    def tried(folder: Path, files: list[list[str]]) -> str:
        runs.append(len(files))
        return "it broke" if any(path in ("3", "11") for path, _ in files) else ""

    monkeypatch.setattr(trials, "_tried", tried)
    files = [(f"sha{n}", [str(n), ""]) for n in range(64)]
    assert trials._broken(tmp_path, files) == {"sha3": "it broke", "sha11": "it broke"}
    assert len(runs) < 25


# -- bounds


def test_what_a_workbook_may_cost_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.hostile.corpus import _cell, workbook

    rows = [_cell(f"A{n}") + _cell(f"B{n}") for n in range(1, 20)]
    assert len(sheets.sheets_of(workbook(rows))[0].rows) == 19
    with pytest.raises(sheets.Spent, match="filled cells"):
        sheets.sheets_of(workbook(rows), sheets.Budget(cells=37))
    monkeypatch.setattr(sheets, "MOST_OF_SHEETS", 1000)
    with pytest.raises(sheets.Unopened, match="would unpack"):
        sheets.sheets_of(workbook(rows))


def test_a_file_of_ever_other_names_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.intake import blocks

    monkeypatch.setattr(blocks, "MOST_HEADINGS", 50)
    lines = "\n".join(f'{{"k{n}": 1}}' for n in range(200))
    found = list(read(lines.encode(), "a.ndjson"))
    assert len(found) == 51 and "different sets of names" in getattr(found[-1], "why", "")


def test_a_list_of_decisions_is_an_xlsx_with_the_bounds_of_what_comes_in(workspace: Workspace) -> None:
    from tests.hostile.corpus import _cell, workbook

    run.import_files(workspace, [])
    for name in ("list.ods", "list.xls", "list.csv"):
        (workspace.folder / name).write_bytes(b"PK\3\4")
        assert "save it as .xlsx" in formpack("correct", name, "--by", "S01", cwd=workspace.folder, code=2), name
    (workspace.folder / "list.xlsx").write_bytes(workbook(_cell(f"XFD{n}") for n in range(1, 10_000)))
    assert "is not a list of problems" in formpack("correct", "list.xlsx", "--by", "S01", cwd=workspace.folder, code=2)
