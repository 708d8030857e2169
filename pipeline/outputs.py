"""Files that are written together: however a command ends, a kill in the middle too, all the old ones stand or all the new.

Everything new is written aside, into `.outputs/begun/new`, and what it replaces is kept beside it in `old`. The decision is one
renaming, of `begun` to `ready`: before it nothing has changed, after it everything will. Then each file is moved to its place;
where a move is refused, `ready` is renamed to `undone` and all is put back. What a command that was killed left is finished, or
taken back, by the next one.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from formpack.words import marked, tr
from pipeline.findings import Refused

ASIDE = ".outputs"
_WAIT_SECONDS = 5.0


@dataclass
class Batch:
    """What is to stand in `folder` when all is written, and which files of it are to go."""

    folder: Path
    new: Path
    placed: set[str] = field(default_factory=set)
    gone: set[str] = field(default_factory=set)

    def place(self, path: Path) -> Path:
        """Where to write what is to stand at `path`, which is in the folder."""
        name = path.relative_to(self.folder).as_posix()
        self.placed.add(name)
        beside = self.new / name
        beside.parent.mkdir(parents=True, exist_ok=True)
        return beside

    def now(self, path: Path) -> Path:
        """The file that will stand at `path`: the new one where one is written, else the one that is there."""
        beside = self.new / path.relative_to(self.folder)
        return beside if beside.exists() else path

    def drop(self, path: Path) -> None:
        """Have `path` gone at the end; it need not be there."""
        self.gone.add(path.relative_to(self.folder).as_posix())


_open: dict[Path, Batch] = {}


@contextlib.contextmanager
def together(folder: Path) -> Iterator[Batch]:
    """Files inside `folder` that are all put in their places when it ends well, or none. One inside another is a part of it.
    Raises Refused where one cannot be replaced, and OSError where there is no room; all is as it was then."""
    home = folder.resolve()
    if home in _open:
        yield _open[home]
        return
    aside = folder / ASIDE
    aside.mkdir(parents=True, exist_ok=True)
    with alone(aside, _WAIT_SECONDS):
        _settle(folder, aside)
        begun = aside / "begun"
        try:
            (begun / "new").mkdir(parents=True)
            batch = _open[home] = Batch(folder, begun / "new")
            yield batch
            _plan(batch, begun)
            os.replace(begun, aside / "ready")
        except BaseException:
            shutil.rmtree(begun, ignore_errors=True)
            raise
        finally:
            _open.pop(home, None)
        _carry_out(folder, aside)


def settle(folder: Path) -> None:
    """Finish what an earlier command decided, or remove what it did not, where it was ended in the middle. What another
    command is at is left alone, and so is what the disk refuses: then the next command that writes says so."""
    aside = folder / ASIDE
    if any((aside / name).exists() for name in ("begun", "ready", "undone")):
        with contextlib.suppress(OSError, Refused), alone(aside, 0):
            _settle(folder, aside)


@contextlib.contextmanager
def one_file(path: Path) -> Iterator[Path]:
    """Where to write a file that then takes the place of `path` as a whole; nothing is left where it does not come to that.
    Raises Refused where it cannot be replaced, and OSError."""
    beside = path.with_name(f".{path.name}.new")
    try:
        yield beside
        try:
            os.replace(beside, path)
        except OSError as wrong:
            raise _refused(path, wrong) from None
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


@contextlib.contextmanager
def alone(aside: Path, wait: float) -> Iterator[None]:
    """Hold the lock of the folder. SQLite has the one in the standard library that every system knows and that ends with its
    process. Raises Refused where another holds it."""
    import sqlite3

    with contextlib.closing(sqlite3.connect(aside / "lock", timeout=wait, isolation_level=None)) as lock:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.DatabaseError as wrong:
            if wrong.sqlite_errorcode == sqlite3.SQLITE_BUSY:
                raise Refused(tr("Another command is writing files here; wait until it ends and try again.")) from None
            if wrong.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
                said = marked("{file} is damaged; delete it when no other command is at work.")
                raise Refused(tr(said, file=aside / "lock")) from None
            said = marked("{folder} cannot be used ({why}); ask for the right to write there.")
            raise Refused(tr(said, folder=aside, why=str(wrong))) from None
        yield


def _settle(folder: Path, aside: Path) -> None:
    if (aside / "begun").exists():
        shutil.rmtree(aside / "begun")
    if (aside / "undone").exists():
        _take_back(folder, aside / "undone")
    if (aside / "ready").exists():
        _carry_out(folder, aside)


def _plan(batch: Batch, begun: Path) -> None:
    """Write down what is to be done, keep what stands there now, and have the disk hold all of it."""
    new = sorted(batch.placed)
    gone = sorted(name for name in batch.gone - batch.placed if (batch.folder / name).is_file())
    added = [name for name in new if not (batch.folder / name).is_file()]
    for name in {*new, *gone} - {*added}:
        _keep(batch.folder / name, begun / "old" / name)
    (begun / "plan.json").write_text(json.dumps({"new": new, "added": added, "gone": gone}), encoding="utf-8")
    files = [batch.new / name for name in new]
    for path in (*files, *{p.parent for p in files}, begun / "plan.json", begun):
        to_disk(path)


def _read_plan(folder: Path) -> dict[str, list[str]]:
    """The plan; an empty one where it is gone already, which it is only when everything is done. Raises Refused where it is not
    as it was written."""
    parts = ("new", "added", "gone")
    try:
        said = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        plan = {part: [PurePosixPath(name) for name in said[part]] for part in parts}
    except FileNotFoundError:
        return {part: [] for part in parts}
    except (ValueError, KeyError, TypeError, RecursionError):
        plan = {part: [PurePosixPath("..")] for part in parts}
    if any(".." in name.parts or name.is_absolute() for part in parts for name in plan[part]):
        said = marked(
            "{file} is damaged, so what an earlier command was writing cannot be put in place. What it wrote is in {new}, what"
            " stood there before in {old}. Delete {folder}, then do it again."
        )
        files = {"file": folder / "plan.json", "new": folder / "new", "old": folder / "old", "folder": folder}
        raise Refused(tr(said, **files))
    return {part: [str(name) for name in plan[part]] for part in parts}


def _carry_out(folder: Path, aside: Path) -> None:
    """Move what is ready to its places. Raises Refused when one refuses; then all of it is put back."""
    ready, path = aside / "ready", folder
    plan = _read_plan(ready)
    try:
        for name in plan["new"]:
            path = folder / name
            if (ready / "new" / name).exists():
                _move(ready / "new" / name, path)
        for name in plan["gone"]:
            path = folder / name
            path.unlink(missing_ok=True)
            with contextlib.suppress(OSError):  # a folder that holds nothing more, but not those in which people look
                for emptied in list((folder / name).relative_to(folder).parents)[:-2]:
                    (folder / emptied).rmdir()
        for held in {(folder / name).parent for name in plan["new"]}:
            to_disk(held)
    except OSError as wrong:
        os.replace(ready, aside / "undone")
        _take_back(folder, aside / "undone")
        raise _refused(path, wrong) from None
    shutil.rmtree(ready, ignore_errors=True)


def _take_back(folder: Path, undone: Path) -> None:
    """Put back what stood there before. Raises Refused where that is refused too; the next command tries again."""
    plan = _read_plan(undone)
    for name in (*plan["new"], *plan["gone"]):
        path, old = folder / name, undone / "old" / name
        is_there = path.exists() if name in plan["gone"] else (undone / "new" / name).exists()
        try:
            if is_there:  # it was not come to
                continue
            if name in plan["added"]:
                path.unlink(missing_ok=True)
            elif old.exists():
                _move(old, path)
        except OSError as wrong:
            raise _refused(path, wrong) from None
    shutil.rmtree(undone, ignore_errors=True)


def _keep(path: Path, copy: Path) -> None:
    """A second name for a file, so that it stays when the first is given away; a copy where the disk knows no second names."""
    copy.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(path, copy)
    except OSError:
        shutil.copy2(path, copy)


def _move(source: Path, path: Path) -> None:
    """Put a file in the place of another, also where that is on another disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.replace(source, path)
    except OSError as wrong:
        if wrong.errno != errno.EXDEV:
            raise
        beside = path.with_name(f".{path.name}.new")
        shutil.copy2(source, beside)
        to_disk(beside)
        os.replace(beside, path)
        source.unlink()


def to_disk(path: Path) -> None:
    """Have the disk hold a file, or what a folder names, before anything is built on it."""
    is_folder = path.is_dir()
    try:
        handle = os.open(path, os.O_RDONLY if is_folder else os.O_RDWR)
    except OSError:
        if is_folder:  # some systems open none
            return
        raise
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _refused(path: Path, wrong: OSError) -> Refused:
    said = marked(
        "{file} could not be replaced ({why}), so all files are as they were. Close it where it is open, or ask for the right"
        " to write there, and do it again."
    )
    return Refused(tr(said, file=path, why=wrong.strerror))
