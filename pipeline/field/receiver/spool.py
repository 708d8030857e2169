"""What phones sent, until an import has it: each in a ZIP of its own, on the disk before the phone is told that it arrived.

A ZIP holds `submission.xml` and the files that came with it; the same submission with the same files makes the same bytes. It
is written under a name that no import looks at, and takes its own by one renaming. Files that are not what their names say are
set aside, and never read.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import filetype

from formpack.submission import ENCRYPTED, Record, Unread, name_of, read
from formpack.words import pack
from pipeline.outputs import to_disk

LEAST_FREE = 256 * 2**20
"""So much room must be left on the disk; the store and its reports need some too."""
_OLD_SECONDS = 3600
_LONGEST = 80
"""Bytes of a name in a name: what is set aside is called by two and a code of 40 letters, and disks take 255."""
_KINDS = {
    ".jpg": {"jpg"},
    ".jpeg": {"jpg"},
    ".png": {"png"},
    ".webp": {"webp"},
    ".heic": {"heic"},
    ".m4a": {"m4a", "mp4"},
    ".mp3": {"mp3"},
    ".mp4": {"mp4", "m4v", "mov"},
}
"""Endings of files that are taken with a submission, and what their first bytes must be."""
SUBMISSION = "submission.xml"


class NoRoom(Exception):
    """The disk does not take what came, and why, packed; the phone keeps it."""


@dataclass(frozen=True)
class Said:
    """What a submission says of itself; an encrypted one says nothing. `why` it cannot be read, packed, '' where it can."""

    form_id: str = ""
    instance_id: str = ""
    why: str = ""


def look_at(content: bytes) -> Said:
    """Form and identity of a submission, by the reader that an import uses."""
    (item,) = read(content, SUBMISSION) or (None,)
    if isinstance(item, Unread):
        return Said("encrypted") if item.why == ENCRYPTED else Said(why=item.why)
    if not isinstance(item, Record):
        return Said(why=pack("it is empty"))
    ids = [text for tag, text in zip(item.tags, item.texts, strict=True) if name_of(tag) == "instanceID"]
    return Said(item.form_id, (ids[0] if ids else "") or "")


def base_name(name: str) -> str:
    """The last part of a file's name, as far as every disk takes it, for submissions name their photos so; '' where nothing is
    left."""
    last = "".join(c if c.isprintable() and c not in '<>:"|?*' else "_" for c in re.split(r"[/\\]", name)[-1])
    return last.encode()[-_LONGEST:].decode(errors="ignore").strip(" .")


def is_what_it_says(name: str, file: BinaryIO) -> bool:
    """Whether the first bytes of a file are those of its ending."""
    kinds = _KINDS.get(Path(name).suffix.lower(), set())
    file.seek(0)
    guessed = filetype.guess(file.read(8192)) if kinds else None
    file.seek(0)
    return guessed is not None and guessed.extension in kinds


@dataclass(frozen=True)
class Stored:
    """What was put on the disk: the name of the ZIP, whether it was there already, and the files that were set aside."""

    name: str
    was_there: bool
    aside: tuple[str, ...]


class Spool:
    """The folder `receiver/` of a workspace."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.waiting, self.aside = folder / "waiting", folder / "set_aside"
        self._homes: set[Path] = set()
        """Folders of people that the disk holds for certain."""

    def begin(self) -> None:
        """Make the folders, for nobody else to look into, and remove what a run that was killed left half written."""
        for path in (self.folder, self.waiting, self.aside):
            path.mkdir(mode=0o700, exist_ok=True)
            os.chmod(path, 0o700)
            to_disk(path.parent)
        for left in self.folder.rglob(".new-*"):
            with contextlib.suppress(OSError):
                if time.time() - left.stat().st_mtime > _OLD_SECONDS:
                    left.unlink()

    def needs_room(self, size: int) -> bool:
        """Whether the disk has no room for so many bytes more."""
        return shutil.disk_usage(self.folder).free < LEAST_FREE + 2 * size

    def keep(self, person: str, said: Said, content: bytes, files: Mapping[str, BinaryIO]) -> Stored:
        """Put a submission and its files on the disk for good. Raises NoRoom with nothing left behind, and OSError."""
        try:
            return self._keep(person, said, content, files)
        except OSError as wrong:
            if isinstance(wrong, FileNotFoundError | PermissionError):
                raise
            raise NoRoom(wrong.strerror or str(wrong)) from None

    def _keep(self, person: str, said: Said, content: bytes, files: Mapping[str, BinaryIO]) -> Stored:
        sound = {name: file for name, file in files.items() if is_what_it_says(name, file)}
        aside = [self._set_aside(person, said, name, files[name]) for name in sorted(files.keys() - sound.keys())]
        home = self.waiting / person
        if home not in self._homes or not home.exists():
            home.mkdir(mode=0o700, exist_ok=True)  # two that come at once make it both
            to_disk(self.waiting)
            self._homes.add(home)

        def write(out: BinaryIO) -> None:
            with zipfile.ZipFile(out, "w") as archive:
                archive.writestr(zipfile.ZipInfo(SUBMISSION), content)
                for name in sorted(sound):
                    with archive.open(zipfile.ZipInfo(name), "w") as inside:
                        shutil.copyfileobj(sound[name], inside)

        form = base_name(said.form_id)[:40] or "unknown"
        name, was_there = _put(home, write, lambda digest: f"{person}-{form}-{digest}.zip")
        return Stored(name, was_there, tuple(aside))

    def _set_aside(self, person: str, said: Said, name: str, file: BinaryIO) -> str:
        """Put a file where nothing reads it, under a name that says whose it is."""
        file.seek(0)
        whose = f"{person}-{base_name(said.instance_id)}"
        copied, _ = _put(
            self.aside, lambda out: shutil.copyfileobj(file, out), lambda digest: f"{whose}-{digest}-{name}.set-aside"
        )
        return copied

    def waits(self) -> list[Path]:
        """The submissions that no import has taken in yet."""
        return sorted(self.waiting.glob("*/*.zip"))


def _put(folder: Path, write: Callable[[BinaryIO], None], name_of: Callable[[str], str]) -> tuple[str, bool]:
    """Have the disk hold a file, whole, before it has its name, made of the beginning of its SHA-256. Returns the name,
    and whether it stood there already."""
    with _written(folder) as beside:
        with beside.open("wb") as out:
            write(out)
        with beside.open("rb") as made:
            digest = hashlib.file_digest(made, "sha256").hexdigest()
        path = folder / name_of(digest[:16])
        was_there = path.exists()
        to_disk(beside)
        os.replace(beside, path)
    to_disk(folder)
    return path.name, was_there


@contextlib.contextmanager
def _written(folder: Path) -> Iterator[Path]:
    """A name to write under that nothing looks at; what is left under it goes."""
    handle, name = tempfile.mkstemp(dir=folder, prefix=".new-")
    os.close(handle)
    try:
        yield Path(name)
    finally:
        Path(name).unlink(missing_ok=True)
