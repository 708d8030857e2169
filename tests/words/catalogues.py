"""The messages that the program marks, and the catalogues of other languages: `python -m tests.words.catalogues` brings these
up to the code. What is new in them is empty and has to be translated; what is gone is taken out."""

from __future__ import annotations

import datetime as dt
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po
from typer.main import get_command

from formpack.words import CATALOGUES, LANGUAGES
from pipeline.cli import app
from pipeline.cli.frame import one_paragraph
from tests.conftest import ROOT

_KEYWORDS: dict[str, Any] = {"tr": None, "trn": (1, 2), "marked": None, "pack": None, "packn": (1, 2), "many_of": (1, 2)}
_IN_SQL = re.compile(r"\bpackn?\(\s*'((?:[^']|'')*)'(?:,\s*'((?:[^']|'')*)')?")


def messages() -> Iterator[tuple[str | tuple[str, ...], str]]:
    """Every marked message (of one for several, both forms) and the file it stands in."""
    for package in ("formpack", "pipeline"):
        for path in sorted((ROOT / package).rglob("*")):
            where = path.relative_to(ROOT).as_posix()
            if path.suffix in (".py", ".html"):
                method = "python" if path.suffix == ".py" else "jinja2.ext:babel_extract"
                for _, message, _, _ in extract(method, io.BytesIO(path.read_bytes()), _KEYWORDS):
                    yield message, where
            elif path.suffix == ".sql":
                for found in _IN_SQL.finditer(path.read_text(encoding="utf-8")):
                    one, more = ((text or "").replace("''", "'") for text in found.groups())
                    yield (one, more) if more else one, where
    for said in help_texts():
        yield said, "pipeline/cli"


def help_texts() -> Iterator[str]:
    """What the help of every command says."""
    group = get_command(app)
    context = group.context_class(group)
    for command in (group, *group.commands.values()):
        yield one_paragraph(command.help)
        for option in command.get_params(context):
            yield from (t for t in (option.help, option.show_default) if isinstance(t, str) and t)


def template() -> Catalog:
    """The messages as a catalogue with nothing translated."""
    catalogue = Catalog(project="formpack", charset="utf-8")
    for message, where in messages():
        one, _, more = message.partition("\x1d") if isinstance(message, str) else (message[0], "", message[1])
        if re.search(r"[^\W\d_]", re.sub(r"\{\w+\}", "", one)):  # there is something to translate
            catalogue.add((one, more) if more else one, locations=[(where, None)])
    return catalogue


def path_of(language: str) -> Path:
    return CATALOGUES / language / "LC_MESSAGES" / "formpack.po"


def catalogue_of(language: str) -> Catalog:
    path = path_of(language)
    if not path.exists():
        return Catalog(locale=language, project="formpack", charset="utf-8")
    with path.open("rb") as file:
        return read_po(file, locale=language)


def update() -> None:
    for language in LANGUAGES:
        if language != "en":
            catalogue = catalogue_of(language)
            catalogue.update(template(), no_fuzzy_matching=True)
            catalogue.obsolete.clear()
            catalogue.header_comment = f"# {LANGUAGES[language]} of formpack. Licence: Apache-2.0."
            catalogue.creation_date = catalogue.revision_date = dt.datetime(2026, 11, 26, tzinfo=dt.UTC)
            catalogue.version, catalogue.last_translator, catalogue.language_team = "1", "formpack", "formpack"
            catalogue.msgid_bugs_address, catalogue.fuzzy = "SECURITY.md", False
            path_of(language).parent.mkdir(parents=True, exist_ok=True)
            with path_of(language).open("wb") as file:
                write_po(file, catalogue, width=120, omit_header=False, sort_output=True, include_lineno=False)


if __name__ == "__main__":
    update()
