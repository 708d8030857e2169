"""Files -> kept bytes -> received items. Bytes are committed before anything is parsed."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from formpack.submission import MOST_BYTES, Received, read
from pipeline.findings import Refused
from pipeline.store import Store

PARSER = "1"
"""Raise it when parsing changes: every kept file is then parsed again."""

Progress = Callable[[str, int, int], None]


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


def keep(store: Store, paths: Iterable[Path], today: dt.date, progress: Progress) -> Kept:
    """Keep the bytes of every file by their SHA-256, in a transaction of its own."""
    files = list(find_files(paths))
    known = {sha for (sha,) in store.rows("SELECT sha256 FROM kept.raw_files")}
    now = dt.datetime.combine(today, dt.datetime.now().time())
    new: list[tuple[object, ...]] = []
    with store.transaction():
        for number, path in enumerate(files, start=1):
            progress("keeping", number, len(files))
            try:
                size = path.stat().st_size
                content = path.read_bytes() if size <= 4 * MOST_BYTES else b""
            except OSError as wrong:
                raise Refused(f"{path.name} cannot be read from the disk: {wrong.strerror}.") from None
            if size and not content:
                raise Refused(f"{path.name} is larger than {4 * MOST_BYTES // 2**20} MB; split it and import the parts.")
            sha = hashlib.sha256(content).hexdigest()
            if sha in known:
                continue
            known.add(sha)
            new.append((sha, path.name, size, content, now, today))
        store.insert("kept.raw_files", ("sha256", "name", "size", "content", "received_at", "received_on"), new)
    return Kept(len(files), len(new))


def parse(store: Store, progress: Progress) -> None:
    """Parse the kept files that have not been parsed yet into work.received."""
    if store.get("parser") != PARSER:
        store.connection.execute("DELETE FROM work.parsed_files; DELETE FROM work.received")
        store.put("parser", PARSER)
    waiting = store.rows(
        "SELECT sha256 FROM kept.raw_files WHERE sha256 NOT IN (SELECT sha256 FROM work.parsed_files) ORDER BY sha256"
    )
    rows: list[tuple[object, ...]] = []
    for number, (sha, name, content) in enumerate(_contents(store, waiting), start=1):
        progress("reading", number, len(waiting))
        for item, found in enumerate(read(content, name)):
            if isinstance(found, Received):
                answers = json.dumps(found.answers, ensure_ascii=False)
                rows.append((sha, item, found.place, found.form_id, found.form_version, found.instance_id,
                             found.deprecated_id, answers, " ".join(found.twice), "", "", None))  # fmt: skip
            else:
                rows.append((sha, item, found.place, "", "", f"unread:{sha[:16]}:{item}", "", "{}", "",
                             found.rule, found.why, None))  # fmt: skip
    store.insert("work.received", ("sha256", "item", "place", "form_hint", "form_version", "instance_id",
                 "deprecated_id", "answers", "twice", "rule", "why", "reading_id"), rows)  # fmt: skip
    store.insert("work.parsed_files", ("sha256",), waiting)


def _contents(store: Store, waiting: list[tuple[str]]) -> Iterator[tuple[str, str, bytes]]:
    """(sha256, name, content) of kept files, a few at a time."""
    for start in range(0, len(waiting), 200):
        some = [sha for (sha,) in waiting[start : start + 200]]
        yield from store.rows("SELECT sha256, name, content FROM kept.raw_files WHERE sha256 IN (SELECT unnest(?))", [some])
