"""Photos that people took with their submissions: which kept file each is, and its bytes."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from formpack.sheets import Unopened, opened_archive
from formpack.words import tr
from pipeline.intake.ingest import source_of
from pipeline.store import Store

MOST_BYTES = 30 * 2**20
"""Of one photo; phones make a few MB."""


@dataclass(frozen=True)
class Photo:
    """A photo by the name that its submission gives. `sha256` is of the kept file that is it or holds it ('' where none came),
    `member` its name inside an archive, `is_double` whether several pictures have that name and none can be told from the
    others."""

    name: str
    sha256: str = ""
    member: str = ""
    is_double: bool = False


def _last(name: str) -> str:
    return name.replace("\\", "/").rpartition("/")[2].lower()


def find(store: Store, wanted: Mapping[str, Iterable[str]]) -> dict[str, tuple[Photo, ...]]:
    """The photos of submissions, by their identities: a file of the name, or a member of the archive that the submission came
    in, or came in again with more of its photos; of several of that name the one beside the submission."""
    named = {_last(name) for names in wanted.values() for name in names}
    alone: dict[str, set[str]] = {}
    for name, sha in store.rows(
        "SELECT lower(name), sha256 FROM kept.file_names WHERE lower(name) IN (SELECT unnest(?))", [list(named)]
    ):
        alone.setdefault(name, set()).add(sha)
    came: dict[str, list[tuple[str, str]]] = {}
    for instance_id, sha, place in store.rows(
        "SELECT c.instance_id, i.sha256, i.place FROM work.current c JOIN work.readings r USING (reading_id)"
        " JOIN work.received i USING (reading_id) WHERE c.instance_id IN (SELECT unnest(?))"
        " ORDER BY i.sha256 <> r.sha256, i.sha256, i.item",
        [list(wanted)],
    ):
        came.setdefault(instance_id, []).append((sha, place))
    members: dict[str, dict[str, list[str]]] = {}
    found = {}
    for instance_id, places in came.items():
        photos = []
        for name in wanted[instance_id]:
            sha, inside = "", []
            for sha, place in places:
                if sha not in members:
                    members[sha] = _members(store, sha)
                inside = members[sha].get(_last(name), [])
                inside = [m for m in inside if f": {m.rpartition('/')[0]}/" in place] or inside
                if inside:
                    break
            files = sorted(alone.get(_last(name), ()))
            if len(inside) == 1:
                photos.append(Photo(name, sha, inside[0]))
            elif len(files) == 1 and not inside:
                photos.append(Photo(name, files[0]))
            else:
                photos.append(Photo(name, is_double=bool(files or inside)))
        found[instance_id] = tuple(photos)
    return found


def _members(store: Store, sha: str) -> dict[str, list[str]]:
    """The members of an archive by the last part of their names; none of what is no archive."""
    try:
        with opened_archive(source_of(store, sha)) as archive:
            found: dict[str, list[str]] = {}
            for member in archive.namelist():
                found.setdefault(_last(member), []).append(member)
            return found
    except (Unopened, OSError):
        return {}


def read(store: Store, photo: Photo) -> bytes | str:
    """The bytes of a photo, or why it cannot be shown."""
    if photo.is_double:
        return tr("several pictures came under this name")
    if not photo.sha256:
        return tr("has not come in")
    too_large = tr("is larger than {most} MB", most=MOST_BYTES // 2**20)
    try:
        source = source_of(store, photo.sha256)
        if photo.member:
            with opened_archive(source) as archive, archive.open(photo.member) as member:
                content = member.read(MOST_BYTES + 1)
        elif isinstance(source, bytes):
            content = source
        else:
            with source.open("rb") as file:
                content = file.read(MOST_BYTES + 1)
    except (Unopened, OSError, zipfile.BadZipFile, zlib.error, RuntimeError, NotImplementedError, ValueError, EOFError):
        return tr("cannot be read any more; `formpack check` says more")
    return too_large if len(content) > MOST_BYTES else content
