"""Files -> kept bytes. Bytes are committed before anything is parsed."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from formpack.submission import MOST_BYTES
from pipeline.findings import Refused
from pipeline.store import BACK, Store

Progress = Callable[[str, int, int], None]
_AT_ONCE = 64 * 2**20


@dataclass(frozen=True)
class Kept:
    files: int
    new: int


def find_files(paths: Iterable[Path]) -> Iterator[Path]:
    """The files meant by the paths given, folders walked in order; links and hidden files are passed over."""
    for path in paths:
        if path.is_dir():
            inside = (p for p in sorted(path.rglob("*")) if not any(x.startswith(".") for x in p.relative_to(path).parts))
            yield from (p for p in inside if p.is_file() and not p.is_symlink())
        elif path.is_file():
            yield path
        else:
            raise Refused(f"{path} is neither a file nor a folder; look at the spelling.")


def keep(store: Store, paths: Iterable[Path], today: dt.date, progress: Progress, form: str = "") -> Kept:
    """Keep the bytes of every file by their SHA-256, in a transaction of its own; and, where somebody says so, that the tables
    in them are of a form."""
    files = list(find_files(paths))
    now = dt.datetime.combine(today, dt.datetime.now().time())
    some: dict[str, tuple[object, ...]] = {}
    new = held = 0
    with store.transaction():
        for number, path in enumerate(files, start=1):
            progress("keeping", number, len(files))
            content = _bytes(path)
            sha = hashlib.sha256(content).hexdigest()
            some.setdefault(sha, (sha, path.name, len(content), content, now, today))
            held += len(content)
            if form:
                store.connection.execute("INSERT OR REPLACE INTO kept.named_forms VALUES (?, ?)", [sha, form])
            if held > _AT_ONCE or number == len(files) or len(some) == 500:
                new += _write(store, some)
                some, held = {}, 0
    return Kept(len(files), new)


def _bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > 4 * MOST_BYTES:
            raise Refused(f"{path.name} is larger than {4 * MOST_BYTES // 2**20} MB; split it and import the parts.")
        return path.read_bytes()
    except OSError as wrong:
        raise Refused(f"{path.name} cannot be read from the disk: {wrong.strerror}.") from None


def _write(store: Store, files: dict[str, tuple[object, ...]]) -> int:
    """Write those that are new; returns how many."""
    known = {s for (s,) in store.rows("SELECT sha256 FROM kept.raw_files WHERE sha256 IN (SELECT unnest(?))", [list(files)])}
    new = [row for sha, row in files.items() if sha not in known]
    store.insert("kept.raw_files", ("sha256", "name", "size", "content", "received_at", "received_on"), new)
    return len(new)


def _pieces(store: Store, sha: str) -> Iterator[bytes]:
    """The bytes of a kept file, a piece at a time: from the store, or where those stand that are too large for it."""
    content = store.value("SELECT content FROM kept.raw_files WHERE sha256 = ?", [sha])
    if content is not None:
        yield content
        return
    with (store.big / sha[:2] / sha).open("rb") as file:
        while piece := file.read(2**20):
            yield piece


def digest_of(store: Store, sha: str) -> str:
    """The SHA-256 of the bytes that are kept under it; '' where they are gone."""
    digest = hashlib.sha256()
    try:
        for piece in _pieces(store, sha):
            digest.update(piece)
    except OSError:
        return ""
    return digest.hexdigest()


def copy_out(store: Store, sha: str, path: Path) -> None:
    """Write the bytes of a kept file to a path. Raises Refused where they are not what came in."""
    digest = hashlib.sha256()
    pieces = _pieces(store, sha)
    try:
        first = next(pieces, b"")
    except OSError:
        raise Refused(f"The bytes of a kept file are gone ({sha}). `formpack check` names it. {BACK}") from None
    with path.open("wb") as file:
        for piece in (first, *pieces):
            digest.update(piece)
            file.write(piece)
    if digest.hexdigest() != sha:
        raise Refused(f"The bytes of a kept file are not what came in ({sha}). `formpack check` names it. {BACK}")


def not_parsed(store: Store) -> list[tuple[str, str, dt.date]]:
    """(sha256, name, received_on) of the kept files that have not been parsed yet."""
    return store.rows(
        "SELECT sha256, name, received_on FROM kept.raw_files ANTI JOIN work.parsed_files USING (sha256) ORDER BY sha256"
    )


def contents(store: Store, files: list[tuple[str, str, dt.date]]) -> Iterator[tuple[str, str, dt.date, bytes]]:
    """The same with the bytes, a few at a time."""
    for start in range(0, len(files), 200):
        some = [sha for sha, _, _ in files[start : start + 200]]
        sizes = store.value("SELECT sum(size) FROM kept.raw_files WHERE sha256 IN (SELECT unnest(?))", [some])
        for part in [some] if sizes < _AT_ONCE else [[sha] for sha in some]:
            yield from store.rows(
                "SELECT sha256, name, received_on, content FROM kept.raw_files WHERE sha256 IN (SELECT unnest(?))"
                " ORDER BY sha256",
                [part],
            )
