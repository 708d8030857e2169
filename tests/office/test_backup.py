"""What can never be rebuilt goes out in open files, and an equal nursery comes back from them, or nothing does."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipeline import run
from pipeline.intake import ingest
from pipeline.office import backup
from pipeline.store import KEPT, Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import SAMPLES, every_table, new_workspace
from tests.office.test_correct import MINUS, decide

FAULTY = SAMPLES / "a_table_typed_in_the_office_with_faults" / "inbox"


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, Path]:
    workspace = new_workspace(tmp_path_factory.mktemp("exported") / "nursery")
    run.import_files(workspace, [FAULTY])
    decide(workspace, MINUS, {"rule": "wrong_type", "on": "k5", "decision": "withdraw", "reason": "test entry"})
    folder = workspace.folder.parent / "backup"
    assert "2 files as they came" in formpack("export", str(folder), cwd=workspace.folder)
    return workspace, folder


@pytest.fixture
def copied(exported: tuple[Workspace, Path], tmp_path: Path) -> Path:
    shutil.copytree(exported[1], tmp_path / "copied")
    return tmp_path / "copied"


def kept_in(workspace: Workspace) -> dict[str, list[tuple[object, ...]]]:
    with Store.open(workspace.store_file, is_read_only=True) as store:
        return {name: store.rows(f"FROM kept.{name} ORDER BY ALL") for name in KEPT}


def restore(folder: Path, new: Path, *words: str, code: int = 0) -> str:
    return formpack("rebuild", "--from", str(folder), "--workspace", str(new), *words, cwd=folder.parent, code=code)


def test_an_equal_nursery_comes_back(exported: tuple[Workspace, Path], tmp_path: Path) -> None:
    workspace, folder = exported
    (tmp_path / "new").mkdir()
    formpack("rebuild", "--from", str(folder), cwd=tmp_path / "new")
    again = Workspace(tmp_path / "new")
    assert every_table(again, ()) == every_table(workspace, ())
    kept = kept_in(again)
    assert kept == kept_in(workspace) and kept["seals"] and kept["file_names"] == kept_in(workspace)["file_names"]
    formpack("check", cwd=again.folder)
    assert "Plants counted corrected from -5 to 957 by S01" in formpack("history", "k4", cwd=again.folder)
    formpack("correct", str(workspace.folder / "list.xlsx"), "--by", "S02", "--undo", cwd=again.folder)
    assert [p.name for p in tmp_path.iterdir()] == ["new"]


def test_the_files_are_the_bytes_and_plain_tables(exported: tuple[Workspace, Path]) -> None:
    _, folder = exported
    kept = {p.read_bytes() for p in (folder / "raw").iterdir()}
    assert kept == {p.read_bytes() for p in FAULTY.iterdir()}
    with (folder / "corrections.csv").open(encoding="utf-8", newline="") as file:
        records = sorted((r["kind"], r["instance_id"], r["new_answer"]) for r in csv.DictReader(file))
    assert records == [("correct", "k4", "957"), ("withdraw", "k5", "")]
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert set(manifest["files"]) == {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {
        "manifest.json"
    }
    assert manifest["rows"]["raw_files"] == 2 and manifest["rows"]["corrections"] == 2 and manifest["damaged"] == []


def test_a_backup_is_not_mixed_and_not_laid_over_a_nursery(exported: tuple[Workspace, Path]) -> None:
    workspace, folder = exported
    assert "is not empty" in formpack("export", str(folder), cwd=workspace.folder, code=2)
    assert "has a store already" in formpack("rebuild", "--from", str(folder), cwd=workspace.folder, code=2)
    assert "is no backup" in formpack("rebuild", "--from", "lists", "--workspace", "x", cwd=workspace.folder, code=2)
    assert "is not empty" in restore(folder, folder, code=2)


def _other(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], str]:
    def harm(folder: Path) -> str:
        path = next(folder.glob(name))
        path.write_bytes(change(path.read_bytes()))
        return f"{path.relative_to(folder).as_posix()} is not what was written"

    return harm


def _gone(name: str) -> Callable[[Path], str]:
    def harm(folder: Path) -> str:
        path = next(folder.glob(name))
        path.unlink()
        return f"{path.relative_to(folder).as_posix()} is missing"

    return harm


def _more(folder: Path) -> str:
    shutil.copy(folder / "corrections.csv", folder / "corrections (1).csv")
    return "corrections (1).csv is not of this backup"


def _last_line(content: bytes) -> bytes:
    return b"".join(content.splitlines(keepends=True)[:-1])


def _twice(content: bytes) -> bytes:
    lines = content.splitlines(keepends=True)
    return b"".join([*lines, lines[-1]])


DAMAGE = [
    _other("raw/*", lambda b: b + b" "),
    _gone("raw/*"),
    *(_gone(f"{name}.csv") for name in ("raw", *KEPT[1:])),
    *(_other(f"{name}.csv", _last_line) for name in ("raw", "corrections", "state_changes", "list_rows", "seals")),
    *(_other(f"{name}.csv", _twice) for name in ("raw", "corrections")),
    _other("corrections.csv", lambda b: b.replace(b"957", b"975")),
    _other("raw.csv", lambda b: b[: len(b) // 2]),
    _gone("lists/staff.csv"),
    _other("lists/locations.csv", lambda b: b + b"X,X,,\n"),
    _gone("nursery.toml"),
    _more,
]


@pytest.mark.parametrize("some", [DAMAGE[:8], DAMAGE[8:16], DAMAGE[16:]])
def test_what_is_not_whole_is_refused(some: list[Callable[[Path], str]], copied: Path, tmp_path: Path) -> None:
    """And nothing is left behind."""
    for number, harm in enumerate(some):
        folder = tmp_path / f"backup {number}"
        shutil.copytree(copied, folder)
        named = harm(folder)
        said = restore(folder, tmp_path / "new", code=2)
        assert said.count("\n") == 1 and str(folder) in said and named in said
        assert not (tmp_path / "new").exists() and not list(tmp_path.glob(".*"))


def test_a_backup_holds_what_its_manifest_names_and_nothing_else(
    exported: tuple[Workspace, Path], copied: Path, tmp_path: Path
) -> None:
    """Hidden files and what links lead to are not named in it, so they are not laid either. A backup is written and read apart
    from what it holds."""
    workspace, _ = exported
    assert "lies in lists/" in formpack("export", "lists/backup", cwd=workspace.folder, code=2)
    assert "lies in the backup" in restore(copied, copied / "new", code=2)
    manifest = (copied / "manifest.json").read_text(encoding="utf-8")
    for harm in (manifest.replace("last_seal", "first_seal"), "[" * 100_000, manifest.replace('"layout": ', '"layout": 1e999')):
        (copied / "manifest.json").write_text(harm, encoding="utf-8")
        assert "manifest.json is cut or altered" in restore(copied, tmp_path / "new", code=2)
    (copied / "manifest.json").write_text(manifest, encoding="utf-8")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/x.csv").write_text("code,label\nX,X\n", encoding="utf-8")
    (copied / "lists/sub").symlink_to(tmp_path / "elsewhere")
    (copied / "lists/.staff.csv").write_text("code,label\nX,X\n", encoding="utf-8")
    restore(copied, tmp_path / "new")
    assert not {"sub", ".staff.csv"} & {p.name for p in (tmp_path / "new/lists").iterdir()}


def _with_manifest(folder: Path) -> None:
    """A manifest that agrees with the files, whatever they are."""
    path = folder / "manifest.json"
    said = json.loads(path.read_text(encoding="utf-8"))
    said["files"] = {name: backup.content_of(file) for name, file in backup._files(folder).items()}
    path.write_text(json.dumps(said), encoding="utf-8")


@pytest.mark.parametrize("name", ["raw", "corrections", "state_changes", "list_rows", "seals", "twice"])
def test_rows_agree_with_their_seals(name: str, copied: Path, tmp_path: Path) -> None:
    """Where the manifest was altered too."""
    named = {"raw": "raw_files", "twice": "something twice"}.get(name, name)
    path = copied / f"{'raw' if name == 'twice' else name}.csv"
    path.write_bytes((_twice if name == "twice" else _last_line)(path.read_bytes()))
    _with_manifest(copied)
    said = restore(copied, tmp_path / "new", code=2)
    assert named in said.replace("the last seal", "seals") and said.count("\n") == 1
    assert not (tmp_path / "new").exists() and not list(tmp_path.glob(".*"))


def test_a_manifest_that_is_not_there(copied: Path, tmp_path: Path) -> None:
    """What nobody can prove is read where that is asked for, as far as there is anything."""
    manifest = copied / "manifest.json"
    manifest.write_bytes(manifest.read_bytes()[:300])
    assert "manifest.json is cut or altered" in restore(copied, tmp_path / "new", code=2)
    manifest.unlink()
    assert "has no manifest.json" in restore(copied, tmp_path / "new", code=2)
    assert "nobody can tell" in restore(copied, tmp_path / "new", "--unproved", code=1)
    formpack("check", cwd=tmp_path / "new")
    for name in ("seals", "file_names", "passed_over", "not_taken", "named_forms", "form_versions", "list_rows"):
        (copied / f"{name}.csv").unlink()  # as the first version wrote them
    (next((copied / "raw").glob("*.csv"))).unlink()
    said = restore(copied, tmp_path / "old", "--unproved", code=1)
    assert "nobody can tell" in said and "raw/" in said
    formpack("check", cwd=tmp_path / "old")
    (copied / "corrections.csv").write_text("number\n1\n", encoding="utf-8")
    said = restore(copied, tmp_path / "third", "--unproved", code=2)
    assert str(copied / "corrections.csv") in said and not (tmp_path / "third").exists()


def test_an_export_is_whole_or_not_there(
    exported: tuple[Workspace, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    workspace, _ = exported
    with monkeypatch.context() as patched:
        patched.setattr(backup, "version", lambda name: (_ for _ in ()).throw(KeyboardInterrupt()))
        formpack("export", str(tmp_path / "out"), cwd=workspace.folder, code=2)
    assert not list(tmp_path.iterdir())
    (tmp_path / ".out.part").mkdir()  # of one that was killed
    (tmp_path / ".out.part" / "raw.csv").write_text("half", encoding="utf-8")
    formpack("export", str(tmp_path / "out"), cwd=workspace.folder)
    assert [p.name for p in tmp_path.iterdir()] == ["out"] and not (tmp_path / "out" / "half").exists()


def test_what_is_damaged_goes_out_as_it_is_and_is_said(exported: tuple[Workspace, Path], tmp_path: Path) -> None:
    """And large files, whose bytes stand beside the store, go out and come back."""
    workspace = Workspace(tmp_path / "nursery")
    shutil.copytree(exported[0].folder, workspace.folder)
    with duckdb.connect(str(workspace.store_file)) as connection:
        found = connection.execute("SELECT sha256, content FROM kept.raw_files ORDER BY sha256").fetchall()
        for sha, content in found:
            (workspace.folder / "kept" / sha[:2]).mkdir(parents=True)
            (workspace.folder / "kept" / sha[:2] / sha).write_bytes(content)
        connection.execute("UPDATE kept.raw_files SET content = NULL")
    formpack("export", "../large", cwd=workspace.folder)
    with backup.restored(tmp_path / "large", tmp_path / "new"):
        pass
    with Store.open(tmp_path / "new" / "store.duckdb", is_read_only=True) as store:
        assert store.value("SELECT count(content) FROM kept.raw_files") == 0
        assert [ingest.digest_of(store, sha) for sha, _ in found] == [sha for sha, _ in found]
    (workspace.folder / "kept" / found[0][0][:2] / found[0][0]).unlink()
    assert "went out as it is: file " in formpack("export", "../out", cwd=workspace.folder, code=1)
    assert "as it was when this was written" in restore(tmp_path / "out", tmp_path / "again", code=2)
