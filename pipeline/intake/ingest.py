"""Files -> kept bytes, one file at a time. Bytes are committed before anything is parsed.

What is small stands in the store; photos and what is large stand in the folder `kept` beside it, each under its SHA-256, and
are never in memory as a whole.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from formpack.submission import PHOTO_ENDINGS, sound
from formpack.words import marked, pack, tr
from pipeline.findings import Refused
from pipeline.intake.days import FILES
from pipeline.outputs import to_disk
from pipeline.stages import Work
from pipeline.store import BACK, Store
from pipeline.workspace import SETTINGS_NAME

Progress = Callable[[str, int, int], None]
MOST_BYTES = 4 * 2**30
"""Largest file that is kept: a day's archive with all its photos."""
_APART = 2**18
"""From this size on a file stands beside the store; a submission is a few kB, and with a photo several hundred."""
_AT_ONCE = 16 * 2**20
_PIECE = 2**20


class NotTaken(Exception):
    """A file that cannot be kept; `str()` says why, and what to do, packed."""


@dataclass(frozen=True)
class Kept:
    """What became of the files: how many were found, how many contents are new, and what could not be taken, with why."""

    files: int
    new: tuple[str, ...]
    """The SHA-256 of those that had not been kept before."""
    names: tuple[tuple[str, str], ...]
    """The names, by SHA-256, under which nothing had come before."""
    not_taken: tuple[tuple[str, str], ...] = ()


@dataclass
class Found:
    """The files meant by some paths, folders walked in order, and what is passed over, with why."""

    files: list[Path] = field(default_factory=list)
    passed: list[tuple[Path, str]] = field(default_factory=list)

    def add(self, path: Path) -> None:
        """A path that somebody names."""
        try:
            is_folder, is_file = path.is_dir(), path.is_file()
        except OSError as wrong:
            self.passed.append((path, pack("it cannot be looked at: {why}", why=wrong.strerror)))
            return
        if is_folder:
            self._walk(path)
        elif is_file:
            self.files.append(path)
        elif path.exists():
            self.passed.append((path, pack("it is no ordinary file; name a file or a folder")))
        else:
            self.passed.append((path, pack("it is neither a file nor a folder; look at the spelling")))

    def _walk(self, folder: Path) -> None:
        if (folder / SETTINGS_NAME).exists():
            why = pack("it holds the lists, forms and store of a nursery; only the inbox in it was looked at")
            self.passed.append((folder, why))
            folder = folder / "inbox"
        try:
            inside = sorted(os.scandir(folder), key=lambda e: os.fsencode(e.name))
        except OSError as wrong:
            self.passed.append((folder, pack("the folder cannot be looked into: {why}", why=wrong.strerror)))
            return
        for entry in inside:
            path = folder / entry.name
            if entry.name.startswith("."):
                continue
            if entry.is_symlink():
                self.passed.append((path, pack("it is a link, and links are not followed; import what it points to")))
            elif entry.is_dir():
                self._walk(path)
            elif entry.is_file():
                self.files.append(path)
            else:
                self.passed.append((path, pack("it is no ordinary file; put a copy of what it holds there")))


def in_letters(path: Path | str) -> str:
    """A path or name as text that a store keeps: what is no UTF-8 in it is marked, and what packs sentences."""
    return sound([os.fsencode(path).decode("utf-8", "replace")])[0]


def keep(store: Store, paths: Iterable[Path], today: dt.date, progress: Progress, form: str = "") -> Kept:
    """Keep the bytes of every file by their SHA-256, and the names they came under, in a transaction of its own; and, where
    somebody says so, that the tables in them are of a form. One file that cannot be had does not stop the others."""
    named, found = list(paths), Found()
    for path in named:
        found.add(path)
    if found.passed and not found.files and not any(p.exists() for p in named):
        raise Refused(" ".join(tr("{place}: {why}.", place=in_letters(path), why=why) for path, why in found.passed))
    not_taken = {_place(store, path): why for path, why in found.passed}
    keeper = _Keeper(store, dt.datetime.combine(today, dt.datetime.now().time()), today, form)
    with store.transaction():
        store.connection.execute("CREATE OR REPLACE TEMP TABLE named_before AS FROM kept.named_forms")
        for number, path in enumerate(found.files, start=1):
            progress("keeping", number, len(found.files))
            try:
                keeper.keep(path)
            except NotTaken as wrong:
                not_taken[_place(store, path)] = str(wrong)
        keeper.write()
        _note(store, [_place(store, p) for p in named], not_taken, today)
    return Kept(len(found.files), tuple(keeper.new), tuple(keeper.new_names), tuple(sorted(not_taken.items())))


def take_back(store: Store, kept: Kept) -> None:
    """Let go what `keep` has just kept anew, which stays where it came from."""
    run = store.connection.execute
    with store.transaction(lets_go=True):
        run("DELETE FROM kept.raw_files WHERE sha256 IN (SELECT unnest(?))", [list(kept.new)])
        run(
            "DELETE FROM kept.file_names WHERE (sha256, name) IN (SELECT unnest($1), unnest($2))",
            [[n[i] for n in kept.names] for i in (0, 1)],
        )
        run("DELETE FROM kept.named_forms WHERE sha256 NOT IN (SELECT sha256 FROM named_before)")
        run("INSERT OR REPLACE INTO kept.named_forms FROM named_before")
    if store.kept is not None:
        for sha in kept.new:
            apart(store.kept, sha).unlink(missing_ok=True)


def _place(store: Store, path: Path) -> str:
    """A path from the workspace on, where it lies in it."""
    path = path.absolute()
    folder = store.path.parent.absolute() if store.path else path
    return in_letters(path.relative_to(folder) if path.is_relative_to(folder) else path)


def _note(store: Store, named: list[str], not_taken: dict[str, str], today: dt.date) -> None:
    """Note what could not be taken, in place of what was noted before of the same paths and of folders around them."""
    before = [Path(place) for (place,) in store.rows("SELECT place FROM kept.not_taken")]
    over = [str(p) for p in before if any(p.is_relative_to(n) or Path(n).is_relative_to(p) for n in named)]
    store.connection.execute("DELETE FROM kept.not_taken WHERE place IN (SELECT unnest(?))", [over])
    store.insert("kept.not_taken", ("place", "why", "on_day"), [(p, w, today) for p, w in sorted(not_taken.items())])


class _Keeper:
    """Writes files to the store, some small ones together."""

    def __init__(self, store: Store, now: dt.datetime, today: dt.date, form: str) -> None:
        self.store, self.now, self.today, self.form = store, now, today, form
        self.new: list[str] = []
        self.new_names: list[tuple[str, str]] = []
        self.held: dict[str, tuple[str, int, bytes | None]] = {}
        self.names: set[tuple[str, str]] = set()
        self.size = 0
        if store.kept is not None and store.kept.exists():
            for left in store.kept.glob(".new-*"):  # of a run that was stopped
                left.unlink()

    def keep(self, path: Path) -> None:
        """Raises NotTaken, with nothing kept of the file."""
        name = in_letters(path.name)
        sha, size, content = self._taken(path)
        self.names.add((sha, name))
        if sha not in self.held:
            self.held[sha] = name, size, content
            self.size += len(content or b"")
        if self.size > _AT_ONCE or len(self.held) == 500:
            self.write()

    def _taken(self, path: Path) -> tuple[str, int, bytes | None]:
        """SHA-256, size, and the content where it is to stand in the store."""
        try:
            file = path.open("rb")
        except FileNotFoundError:
            raise NotTaken(pack("it was there and is gone; import it from where it is now")) from None
        except PermissionError:
            raise NotTaken(pack("it may not be read; give this user the right to read it")) from None
        except OSError as wrong:
            raise NotTaken(pack("it cannot be opened: {why}", why=wrong.strerror)) from None
        with file:
            size = os.fstat(file.fileno()).st_size
            if size > MOST_BYTES:
                raise NotTaken(pack("it is larger than {most} GB; split it and import the parts", most=MOST_BYTES // 2**30))
            pieces = _pieces(file)
            if self.store.kept is not None and (size >= _APART or path.suffix.lower() in PHOTO_ENDINGS):
                return _put_apart(pieces, self.store.kept), size, None
            content = b"".join(pieces)
            return hashlib.sha256(content).hexdigest(), size, content

    def write(self) -> None:
        """Write what is held: the contents that are new, and names."""
        shas = list(self.held)
        known = {s for (s,) in self.store.rows("SELECT sha256 FROM kept.raw_files WHERE sha256 IN (SELECT unnest(?))", [shas])}
        new = [(s, *row, self.now, self.today) for s, row in self.held.items() if s not in known]
        self.store.insert("kept.raw_files", ("sha256", "name", "size", "content", "received_at", "received_on"), new)
        of_these = "SELECT sha256, name FROM kept.file_names WHERE sha256 IN (SELECT unnest(?))"
        names = self.names - set(self.store.rows(of_these, [shas]))
        self.store.insert("kept.file_names", ("sha256", "name", "seen_at"), [(*n, self.now) for n in sorted(names)])
        if self.form:
            run = self.store.connection.execute
            run("INSERT OR REPLACE INTO kept.named_forms SELECT unnest($1), $2", [shas, self.form])
        self.new += [row[0] for row in new]
        self.new_names += sorted(names)
        self.held, self.names, self.size = {}, set(), 0


def _pieces(file: BinaryIO) -> Iterator[bytes]:
    """The content, a piece at a time. Raises NotTaken where the disk does not give it, and where it changes meanwhile."""
    before, size = os.fstat(file.fileno()), 0
    while True:
        try:
            piece = file.read(_PIECE)
        except OSError as wrong:
            raise NotTaken(pack("the disk does not give it: {why}", why=wrong.strerror)) from None
        size += len(piece)
        if not piece or size > before.st_size:
            break
        yield piece
    after = os.fstat(file.fileno())
    if (size, after.st_size, after.st_mtime_ns) != (before.st_size, before.st_size, before.st_mtime_ns):
        raise NotTaken(pack("it was still being written while it was read; import it again when it is whole"))


def _put_apart(pieces: Iterable[bytes], folder: Path) -> str:
    """Write a content into the folder, whole or not at all, and for good before anything speaks of it. Returns its SHA-256."""
    folder.mkdir(exist_ok=True)
    mark = hashlib.sha256()
    with contextlib.ExitStack() as stack:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".new-", delete=False) as file:
            beside = Path(file.name)
            stack.callback(beside.unlink, missing_ok=True)
            for piece in pieces:
                mark.update(piece)
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        sha = mark.hexdigest()
        place = apart(folder, sha)
        place.parent.mkdir(exist_ok=True)
        beside.replace(place)
        stack.pop_all()
    for held in (place.parent, folder):
        to_disk(held)
    return sha


def apart(folder: Path, sha256: str) -> Path:
    """Where a content stands in the folder `kept`."""
    return folder / sha256[:2] / sha256


def source_of(store: Store, sha256: str) -> bytes | Path:
    """The bytes of a kept file, or where they are."""
    content: bytes | None = store.value("SELECT content FROM kept.raw_files WHERE sha256 = ?", [sha256])
    if content is not None:
        return content
    assert store.kept is not None
    return apart(store.kept, sha256)


def _pieces_of(store: Store, sha256: str) -> Iterator[bytes]:
    """The bytes of a kept file, a piece at a time."""
    source = source_of(store, sha256)
    if isinstance(source, bytes):
        yield source
        return
    with source.open("rb") as file:
        while piece := file.read(_PIECE):
            yield piece


def digest_of(store: Store, sha256: str) -> str:
    """The SHA-256 of the bytes that are kept under one; '' where there are none."""
    digest = hashlib.sha256()
    try:
        for piece in _pieces_of(store, sha256):
            digest.update(piece)
    except OSError:
        return ""
    return digest.hexdigest()


def copy_out(store: Store, sha256: str, path: Path) -> None:
    """Write the bytes of a kept file to a path. Raises Refused where they are not what came in."""
    digest, pieces = hashlib.sha256(), _pieces_of(store, sha256)
    try:
        first = next(pieces, b"")
    except OSError:
        said = marked("The bytes of a kept file are gone ({sha256}). `formpack check` names it. {back}")
        raise Refused(tr(said, sha256=sha256, back=tr(BACK))) from None
    with path.open("wb") as file:
        for piece in (first, *pieces):
            digest.update(piece)
            file.write(piece)
    if digest.hexdigest() != sha256:
        said = marked("The bytes of a kept file are not what came in ({sha256}). `formpack check` names it. {back}")
        raise Refused(tr(said, sha256=sha256, back=tr(BACK)))


def load_not_taken(work: Work) -> None:
    """work.not_taken: (place, why) of what the last imports could not take in."""
    work.put_query("not_taken", "SELECT place, why FROM kept.not_taken")


def not_parsed(store: Store) -> list[tuple[str, str, dt.date]]:
    """(sha256, name, received_on) of the kept files that have not been parsed yet."""
    return store.rows(
        f"SELECT sha256, name, received_on FROM {FILES} ANTI JOIN work.parsed_files USING (sha256) ORDER BY sha256"
    )


def sources(store: Store, files: Sequence[tuple[str, *tuple[Any, ...]]]) -> Iterator[tuple[Any, bytes | Path]]:
    """Each of the files, named by its SHA-256 first, with its bytes, or where they are."""
    for start in range(0, len(files), 200):
        some = files[start : start + 200]
        query = "SELECT sha256, content FROM kept.raw_files WHERE sha256 IN (SELECT unnest(?))"
        content = dict(store.rows(query, [[file[0] for file in some]]))
        for file in some:
            yield file, source_of(store, file[0]) if content[file[0]] is None else content[file[0]]
