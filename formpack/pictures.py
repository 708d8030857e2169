"""Pictures beside questions and choices: those that come with the program, and a nursery's own of the same name, which win."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from formpack import shipped
from formpack.words import marked, tr

COLUMN = "media::image::"
"""Before a language: the standard's columns for the name of a picture, which our column `image` stands for."""
MOST_BYTES = 300_000
"""A phone fetches all of them over the network of the nursery."""
_NAME = re.compile(r"[a-z0-9][a-z0-9_]{0,59}\.(?:png|jpg)")
_KINDS = {".png": "image/png", ".jpg": "image/jpeg"}


def for_each_language(cells: Mapping[str, str], languages: Iterable[str]) -> dict[str, str]:
    """A row with its picture named in every language, since a column without one is a language of its own to a phone."""
    named = {k: v for k, v in cells.items() if re.match(r"(media::)?image(::|$)", k)}
    kept = {k: v for k, v in cells.items() if k not in named}
    first = next((v for v in named.values() if v), "")
    return kept | {f"{COLUMN}{x}": named.get(f"{COLUMN}{x}") or first for x in languages if first}


def pictures_of(cells: Mapping[str, str]) -> set[str]:
    """The names of the pictures of a row that has them for each language."""
    return {v for k, v in cells.items() if k.startswith(COLUMN)}


def pictures_in(xform: str) -> set[str]:
    """The names of the pictures that an XForm asks a phone to have."""
    return set(re.findall(rf"jr://images/({_NAME.pattern})\b", xform))


def picture_file(name: str, own: Path | None) -> Path | None:
    """The file of a picture: in pictures/ of the nursery's forms/, which `own` is, else the shipped one; None where neither."""
    folders = [*([own / "pictures"] if own else []), shipped("forms") / "_common" / "pictures"]
    return next((folder / name for folder in folders if (folder / name).is_file()), None)


def faults_of_row(cells: Mapping[str, str], own: Path | None) -> Iterator[str]:
    """What is wrong with the names of a row's pictures, and with other media, which do not go to phones."""
    if other := sorted(k for k, v in cells.items() if v and re.match(r"(media::)?(big-image|audio|video)(::|$)", k)):
        yield tr("the column {column} is not one that goes to the phones; use the column image", column=", ".join(other))
    for name in sorted(pictures_of(cells)):
        if not _NAME.fullmatch(name):
            said = marked(
                "the picture {file} of {name} must end in .png or .jpg and be named in small letters, digits and _, at most 60;"
                " rename the file too"
            )
            yield tr(said, file=repr(name), name=cells.get("name"))
        elif picture_file(name, own) is None:
            said = marked("the picture {file} of {name} is not there; put it into forms/pictures, or empty the column image")
            yield tr(said, file=name, name=cells.get("name"))


def faults_of_files(names: Iterable[str], own: Path) -> Iterator[str]:
    """What is wrong with those of the pictures that are the nursery's own files."""
    import filetype

    for name in sorted(names):
        path = own / "pictures" / name
        if picture_file(name, own) != path:
            continue
        place = tr("your {place}", place=f"forms/pictures/{name}")
        try:
            size, kind = path.stat().st_size, filetype.guess_mime(path)
        except OSError as wrong:
            yield tr("{place} cannot be read ({why}); ask for the right to read it.", place=place, why=wrong.strerror)
            continue
        if size > MOST_BYTES:
            said = marked("{place} has {n} kB, more than {most}; make it smaller, some 480 dots wide.")
            yield tr(said, place=place, n=size // 1000, most=MOST_BYTES // 1000)
        if kind != _KINDS[path.suffix]:
            said = marked("{place} is not the picture that its ending says; save it again as PNG (.png) or JPEG (.jpg).")
            yield tr(said, place=place)
