"""What stands where the store should be and is none, or is damaged, is told apart in words, and left as it is."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipeline import run
from pipeline.store import unreadable
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.robust.books import books_in, nursery

WAY_OUT = "Restore the last backup into a new folder: `formpack rebuild --from BACKUP --workspace NEW`."
STAGES = ("list_rows", "answers", "states", "standing", "due")
COMMANDS = (["due"], ["import"], ["check"], ["rebuild"], ["export", "out"], ["history", "x"], ["report"])


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = nursery(tmp_path_factory.mktemp("sound") / "nursery")
    run.import_files(workspace, [workspace.inbox], show=("submissions", "due", "problems"))
    return workspace


def foreign(path: Path) -> None:
    path.unlink()
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE customers AS SELECT 1 AS number")


def written_later(path: Path) -> None:
    """The file of a DuckDB to come: its number raised, and its checksum with it."""
    content = bytearray(path.read_bytes())
    content[12:20] = (9999).to_bytes(8, "little")
    path.write_bytes(content)
    with pytest.raises(duckdb.Error) as told:
        duckdb.connect(str(path))
    found = re.search(r"computed checksum (\d+)", str(told.value))
    assert found
    content[:8] = int(found[1]).to_bytes(8, "little")
    path.write_bytes(content)


def with_a_log(path: Path) -> None:
    """Of another program that was killed: what it wrote last stands beside."""
    with duckdb.connect(str(path.with_name("other"))) as connection:
        connection.execute("CREATE TABLE customers AS SELECT 1 AS number; CHECKPOINT")
        connection.execute("SET checkpoint_threshold = '1GB'; INSERT INTO customers VALUES (2)")
        shutil.copy(path.with_name("other"), path)
        shutil.copy(path.with_name("other.wal"), path.with_name(f"{path.name}.wal"))
    path.with_name("other").unlink()


def alone(path: Path) -> None:
    path.rename(path.with_name(f"{path.name}.wal"))


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def flipped(path: Path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at : at + 64] = bytes(64 * [171])
    path.write_bytes(content)


WHAT: dict[str, tuple[Callable[[Path], object], str]] = {
    "empty": (lambda p: p.write_bytes(b""), f"store.duckdb is empty: there is no store in it. .* {re.escape(WAY_OUT)}"),
    "text": (
        lambda p: p.write_text("the books\n" * 900),
        "store.duckdb is no store: something else stands .* " + re.escape(WAY_OUT),
    ),
    "short": (lambda p: p.write_bytes(b"x"), "store.duckdb is no store"),
    "cut": (lambda p: os.truncate(p, p.stat().st_size // 2), f"store.duckdb is cut: .* {re.escape(WAY_OUT)}"),
    "cut short": (lambda p: os.truncate(p, 5000), "store.duckdb is cut"),
    "head": (lambda p: [flipped(p, 4104), flipped(p, 8200)], "store.duckdb is damaged"),
    "foreign": (foreign, "store.duckdb is a DuckDB file of another program, and is left as it is; name another folder."),
    "foreign, killed": (with_a_log, "store.duckdb is a DuckDB file of another program"),
    "later": (written_later, "store.duckdb was written with a later version of DuckDB; update formpack"),
    "folder": (folder, "store.duckdb is a folder"),
    "log alone": (alone, f"store.duckdb is missing, and what was last written .* {re.escape(WAY_OUT)}"),
}


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a workspace but for its inbox, lists and forms."""
    found = [p for p in folder.rglob("*") if p.is_file() and p.relative_to(folder).parts[0] not in ("inbox", "lists", "forms")]
    return {str(p.relative_to(folder)): p.read_bytes() for p in found}


@pytest.mark.parametrize("what", WHAT)
def test_it_is_told_apart_and_left_alone(what: str, sound: Workspace, tmp_path: Path) -> None:
    make, words = WHAT[what]
    shutil.copytree(sound.folder, tmp_path / "nursery")
    make(tmp_path / "nursery" / "store.duckdb")
    before = contents(tmp_path / "nursery")
    for command in COMMANDS:
        said = formpack(*command, cwd=tmp_path / "nursery", code=2)
        assert said.count("\n") == 1 and re.match(words, said), (command, said)
        assert contents(tmp_path / "nursery") == before, command


@pytest.mark.parametrize("words", ["Permission denied", "Read-only file system"])
def test_without_the_right(words: str, sound: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_: object, **__: object) -> None:
        raise duckdb.IOException(f'IO Error: Cannot open file "store.duckdb": {words}')

    monkeypatch.setattr(duckdb, "connect", denied)
    for command in COMMANDS[:3]:
        assert "ask for the right to read and write it" in formpack(*command, cwd=sound.folder, code=2)


def test_a_full_disk_is_no_damage() -> None:
    said = str(unreadable(duckdb.IOException('IO Error: Could not write file "x": No space left on device')))
    assert "make room" in said and "damaged" not in said


@pytest.mark.parametrize("table", ["kept.raw_files", "kept.state_changes", "work.received", "work.states", "work.due"])
def test_a_part_that_is_damaged_is_found_while_reading(table: str, sound: Workspace, tmp_path: Path) -> None:
    """No command ends otherwise than in words."""
    shutil.copytree(sound.folder, tmp_path / "nursery")
    store = tmp_path / "nursery" / "store.duckdb"
    with duckdb.connect(str(store), read_only=True) as connection:
        block, at = connection.execute(
            f"SELECT block_id, block_offset FROM pragma_storage_info('{table}') WHERE block_id >= 0 LIMIT 1"
        ).fetchall()[0]
    flipped(store, 3 * 4096 + block * 2**18 + at)
    said = [formpack(*command, cwd=tmp_path / "nursery", code=None) for command in COMMANDS[:3]]
    assert "is damaged" in said[2] or "not at" in said[2]
    assert all(words.startswith("The store is damaged: ") for words in said if "is damaged:" in words)


def test_a_rebuild_is_one_step(sound: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever goes wrong, and wherever: the old tables stand, or the new ones."""
    from pipeline.findings import Refused
    from pipeline.stages import Runner, Stage
    from pipeline.store import LAYOUT

    shutil.copytree(sound.folder, tmp_path / "nursery")
    workspace = Workspace(tmp_path / "nursery")
    wrongs = (
        Refused("no"),
        duckdb.OutOfMemoryException("no"),
        duckdb.InternalException("no"),
        OSError(5, "no"),
        KeyboardInterrupt(),
    )
    plain = Runner._run
    for layout in (LAYOUT, LAYOUT - 1):  # a former one is brought up in the same step
        if layout != LAYOUT:
            with duckdb.connect(str(workspace.store_file)) as connection:
                connection.execute("DROP TABLE kept.seals; DROP TABLE kept.file_names; UPDATE kept.layout SET number = 3")
        before = books_in(workspace.folder)
        assert before["due"]
        for wrong, name in [*zip(wrongs, STAGES, strict=True)][:: 1 if layout == LAYOUT else 3]:

            def fail(self: Runner, stage: Stage, stale: list[str] | None) -> None:
                plain(self, stage, stale)
                if stage.name == name:  # noqa: B023
                    raise wrong  # noqa: B023

            with monkeypatch.context() as patched:
                patched.setattr(Runner, "_run", fail)
                formpack("rebuild", cwd=workspace.folder, code=2)
            assert books_in(workspace.folder) == before, (layout, name)
        sheet = workspace.folder / "forms" / "own" / "survey.csv"
        sheet.parent.mkdir()
        sheet.write_text("type,name\nnonsense,x\n", encoding="utf-8")
        for command in ("rebuild", "due", "import"):
            formpack(command, cwd=workspace.folder, code=None)
            assert books_in(workspace.folder)["due"] == before["due"], (layout, command)
        shutil.rmtree(sheet.parent)
    formpack("rebuild", cwd=workspace.folder)
    formpack("check", cwd=workspace.folder)
