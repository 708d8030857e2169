"""Form -> XForm XML by the standard's converter, checked by the validator that it carries."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pyxform
from pyxform.xls2xform import convert

from formpack.catalog import Form, FormError
from formpack.words import place, tr
from formpack.workbook import form_workbook

_ROW = re.compile(r"\[row : (\d+)\]\s*")
_VERSION = re.compile(r'(<data\b[^>]* version=")(\d+)(")')


@dataclass(frozen=True)
class Published:
    """One form as it goes to the phones."""

    form: Form
    version: str
    xform: str
    workbook: bytes
    is_new: bool


def engine_jar() -> Path:
    """The one Java archive that the converter carries: validator and form engine."""
    return next(Path(pyxform.__file__).parent.rglob("*.jar"))


def to_xform(form: Form, version: str, language: str | None = None) -> str:
    """The XForm of a form, not yet validated. Any warning of the converter is a fault."""
    return _converted(form, form_workbook(form, version, language))


def _converted(form: Form, workbook: bytes) -> str:
    try:
        made = convert(io.BytesIO(workbook), validate=False, file_type=".xlsx")
    except pyxform.errors.PyXFormError as wrong:
        where, why = _placed(form, " ".join(str(wrong).split()))
        raise FormError([tr("{place}: the converter refuses it: {why}", place=where, why=why)]) from None
    if made.warnings:
        placed = [_placed(form, warning) for warning in made.warnings]
        raise FormError([tr("{place}: the converter warns: {why}", place=where, why=why) for where, why in placed])
    return str(made.xform)


def _placed(form: Form, said: str) -> tuple[str, str]:
    """Where in the nursery's sheet something is of which the converter says the row of the workbook that it was given."""
    found = _ROW.search(said)
    if not found or not 2 <= int(found[1]) < len(form.rows) + 2:
        return form.place, said
    return place(form.rows[int(found[1]) - 2][""]), _ROW.sub("", said)


def validator_verdicts(xforms: Sequence[str]) -> list[str]:
    """What the bundled validator says against each XForm; '' where it is content. Needs Java."""
    if not xforms:
        return []
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"{number}.xml" for number in range(len(xforms))]
        for path, xform in zip(paths, xforms, strict=True):
            path.write_text(xform, encoding="utf-8")
        command = ["java", "-Djava.awt.headless=true", "-XX:TieredStopAtLevel=1", "-jar", str(engine_jar()), *map(str, paths)]
        run = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=300, check=False)
    said = dict(re.findall(r"^Validating: (.*)\n((?:(?!^Validating: |^The following files).*\n?)*)", run.stdout, re.MULTILINE))
    return [_against(said.get(str(path), tr("it did not look at the form"))) for path in paths]


def _against(said: str) -> str:
    """The part of the validator's words on one form that is not contentment."""
    lines = [re.sub(r"^[\w.$]+(Exception|Error): ", "", x) for x in said.splitlines() if x.strip() and x[0] != "\t"]
    content = (">> Xform parsing completed!", ">> Xform is valid!", ">> XForm is invalid.")
    return " ".join(x for x in lines if x.strip() not in content)


def has_java() -> bool:
    return shutil.which("java") is not None


def can_open() -> bool:
    """Whether this machine can run the form engine: it needs a JDK, the validator alone less."""
    return has_java() and shutil.which("javac") is not None


def opening_faults(made: Sequence[Published], lists: Mapping[str, str]) -> list[str]:
    """What the bundled form engine, the one inside phones, says where a form cannot be opened or a question not be shown.
    `lists` holds the text of each external list by the stem of its file. Needs a JDK."""
    if not made:
        return []
    with tempfile.TemporaryDirectory() as folder:
        for stem, text in lists.items():
            (Path(folder) / f"{stem}.csv").write_text(text, encoding="utf-8")
        paths = {str(Path(folder) / f"{p.form.form_id}.xml"): p for p in made}
        for path, form in paths.items():
            Path(path).write_text(form.xform, encoding="utf-8")
        command = [
            "java",
            "-XX:TieredStopAtLevel=1",
            "-cp",
            str(engine_jar()),
            str(Path(__file__).with_name("Open.java")),
            *paths,
        ]
        run = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, timeout=300, check=False)
    said = dict(line.split("\t", 1) for line in run.stdout.splitlines() if "\t" in line)
    verdicts = {p.form.place: said.get(path, tr("it did not look at the form")) for path, p in paths.items()}
    return [
        tr(
            "{place}: a phone cannot open it: {verdict}. Look at the question and the list that are named.",
            place=place,
            verdict=verdict,
        )
        for place, verdict in verdicts.items()
        if verdict != "OK"
    ]


def publish(
    forms: dict[str, Form], folder: Path, language: str | None = None, out: Mapping[str, int] | None = None
) -> list[Published]:
    """Convert every form, raise its version where its content changed since `folder` was written, validate it. A form that is
    not in the folder, but of which a version is `out` on phones, gets a later one.

    One that is not active is left out.

    Titles are in `language`, and phones begin in it; without one, in each form's `default_language`.
    Nothing is written here. What has not changed since it was last published is not validated again; without Java
    the validator is left out, which `has_java` tells. Raises FormError with all faults.
    """
    spoken = dict.fromkeys(x for form in forms.values() for x in form.languages)
    if language is not None and language not in spoken:
        raise FormError(
            [
                tr(
                    "No form speaks the language '{language}'; write it as one of {languages}.",
                    language=language,
                    languages=", ".join(spoken),
                )
            ]
        )
    made: list[Published] = []
    for form in (form for form in forms.values() if form.is_active):
        before = folder / f"{form.form_id}.xml"
        old = before.read_text(encoding="utf-8") if before.exists() else ""
        found = _VERSION.search(old)
        version = max(form.version, found[2], key=int) if found else form.version
        if not old and out and form.form_id in out:
            version = str(max(int(version), out[form.form_id] + 1))
        workbook = form_workbook(form, version, language)
        xform = _converted(form, workbook)
        if old and xform != old and found and version == found[2]:
            version = str(int(version) + 1)
            workbook = form_workbook(form, version, language)
            xform = _converted(form, workbook)
        made.append(Published(form, version, xform, workbook, xform != old))
    if has_java():
        new = [p for p in made if p.is_new]
        verdicts = validator_verdicts([p.xform for p in new])
        faults = [
            tr("{place}: the validator says: {verdict}", place=p.form.place, verdict=v)
            for p, v in zip(new, verdicts, strict=True)
            if v
        ]
        if faults:
            raise FormError(faults)
    return made
