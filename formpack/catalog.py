"""Sheets -> frozen form definitions. The only reader of forms: shipped folders of CSV, and a nursery's own.

A form is a folder with survey.csv, choices.csv (optional) and settings.csv, or one .xlsx workbook with sheets
of those names; case and blanks of these names and of headings do not matter. A survey row of type
`include` puts in the rows of forms/_common/survey.csv that have its name in `part`, so that what all forms ask is written
once; where that is one row, what the include row fills in wins. A `trigger` that names a calculation means the questions
that it is worked out from. A nursery's own form of the same id wins over the shipped one.
"""

from __future__ import annotations

import csv
import difflib
import functools
import io
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from formpack import expression, shipped
from formpack.expression import ExpressionError, Kind, Node, Operation
from formpack.pictures import faults_of_files, faults_of_row, for_each_language, pictures_of
from formpack.readers import Unreadable, cell_text, has_control, text_of
from formpack.sheets import Spent, Unopened, sheets_of
from formpack.words import LANGUAGES as SPOKEN
from formpack.words import current, listed, marked, tr, trn
from formpack.words import place as place_in_words

LANGUAGES = ("English (en)", "Español (es)", "Português (pt)")
LEDGER_WORDS = {
    "group": "the group that is inspected",
    "opens": "plants that the group begins with",
    "counted": "plants found before anything was taken out",
    "kept": "part of what was found, stays in the group",
    "leaves": "part of what was found, leaves by the cause named",
    "moves": "plants that move to the group that `moves_to` names",
    "moves_to": "the group that receives what moves, or the buds that failed",
    "despatched": "trees that leave for a customer",
    "set": "buds set in a lot",
    "took": "buds read as taken",
    "failed": "buds read as failed",
    "unsure": "buds to be read again",
    "place": "where the group stands",
    "coverage": "whether the whole group was walked, a part, or the last part",
    "team": "the budding team",
    "attempt": "first, second or third budding of the same plants",
    "scion": "the scion",
    "batch": "the budwood batch",
    "reading": "what an instrument shows at the place; the question is named as what is measured, with its unit or without",
    "phone": "helps the person on the phone; the office does not check or book it",
}
NEEDED = ("visit_date", "staff_code")
"""What every form asks. One without a group is about a house, or the whole nursery: it books no plants."""
BOOKED = ("opens", "counted", "kept", "leaves", "moves", "moves_to", "despatched", "set", "took", "failed", "unsure")
"""Ledger words of what is booked on a group."""
_TYPES = {
    "integer": "BIGINT",
    "decimal": "DOUBLE",
    "date": "DATE",
    "text": "VARCHAR",
    "barcode": "VARCHAR",
    "image": "VARCHAR",
    "geopoint": "VARCHAR",
    "start": "VARCHAR",
    "end": "VARCHAR",
    "deviceid": "VARCHAR",
    "select_one": "VARCHAR",
    "select_multiple": "VARCHAR",
    "select_one_from_file": "VARCHAR",
    "calculate": "VARCHAR",
}
_NO_ANSWER = {"begin_group", "end_group", "note", "csv-external"}
_TRANSLATED = ("label", "hint", "guidance_hint", "constraint_message", "required_message")
_SPEAKING = (*_TRANSLATED, "relevant", "constraint", "calculation", "choice_filter", "trigger", "default")
"""Columns that can speak of questions."""
_COLUMNS = {
    "settings": ("form_id", "form_title", "version", "default_language", "instance_name", "stage", "active"),
    "survey": (
        *("type", "name", "required", "relevant", "constraint", "calculation", "trigger", "default", "appearance"),
        *("choice_filter", "parameters", "ledger", "cause", "unit", "image"),
    ),
    "choices": ("list_name", "name", "image"),
}
_IN_LANGUAGES = {"settings": ("form_title",), "survey": _TRANSLATED, "choices": ("label",)}
"""The columns of each sheet that the pack speaks of, and those that it has once a language."""
_TAKEN = {"reading_id", "instance_id", "state", "form_id", "form_version", "key"}
"""Names that tables have beside those of the questions."""
_NOT_READ = (".ods", ".xls", ".xlsm", ".csv", ".numbers")
"""Endings that a form may be saved with beside .xlsx, which nothing reads."""
_PHOTO = "max-pixels=1600"
"""What a photo is made smaller to where the form does not say."""
_COUNT_UNITS = {"plant", "bud", "shoot", "day"}
_UNITS = {"°c": "c", "ºc": "c", "celsius": "c", "%": "pct", "percent": "pct", "ms/cm": "ms_cm"}
"""What people write for units that shipped readings have at the end of their names."""
_IN_SMALL_LETTERS = {"settings": ("active",), "survey": ("required", "ledger")}
"""Columns of the program's words: capitals in them, as spreadsheet programs make them, do not matter."""


class FormError(Exception):
    """One or more forms cannot be used. `faults` are sentences with place, reason and way out."""

    def __init__(self, faults: Iterable[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))


@dataclass(frozen=True)
class Question:
    """One question (or calculation) of a form, as the office sees it."""

    name: str
    type: str
    list_name: str
    """For select_one and select_multiple the list in `choices`; for select_one_from_file the list's file stem."""
    cells: Mapping[str, str]
    place: str
    required: bool
    relevant: Node | None
    asked_when: str
    """`relevant` as it is written, with that of the groups it stands in."""
    constraint: Node | None
    calculation: Node | None
    ledger: str
    cause: str
    unit: str

    @cached_property
    def is_kept(self) -> bool:
        """Whether the office stores it: an answer, or a calculation with a ledger word or a unit."""
        return self.ledger != "phone" and (self.type != "calculate" or bool(self.ledger or self.unit))

    @property
    def measures(self) -> str:
        """What an instrument shows here: the name without the unit at its end."""
        return self.name.removesuffix(f"_{self.unit}")

    @cached_property
    def is_metadata(self) -> bool:
        return self.type in ("start", "end", "deviceid")

    @cached_property
    def is_code(self) -> bool:
        """Whether the answer is a group code with check digits."""
        return self.ledger in ("group", "moves_to")

    @cached_property
    def value_type(self) -> str:
        """`integer`, `decimal`, `date`, `code` or `text`: which strict reader reads it."""
        if self.is_code:
            return "code"
        if self.type == "calculate":
            return "integer" if self.unit in _COUNT_UNITS else "date" if self.unit == "date" else "text"
        return self.type if self.type in ("integer", "decimal", "date") else "text"

    @cached_property
    def sql_type(self) -> str:
        return _TYPES["text" if self.value_type == "code" else self.value_type]

    @cached_property
    def kind(self) -> Kind:
        kinds: dict[str, Kind] = {"integer": "number", "decimal": "number", "date": "date"}
        return kinds.get(self.value_type, "text")

    @cached_property
    def list_columns(self) -> frozenset[str]:
        """The columns of its list that the question needs: those of code and label, and those that its filter speaks of."""
        plain = re.sub(
            r"'[^']*'|\"[^\"]*\"|\$\{[^}]*\}|instance\([^)]*\)[\w/]*(?:\[[^\]]*\][\w/]*)*",
            " ",
            self.cells.get("choice_filter", ""),
        )
        spoken = set(re.findall(r"(?<![\w/.-])[A-Za-z_][\w-]*(?!\s*\(|[\w-])", plain)) - {"and", "or", "div", "mod", "not"}
        return frozenset(spoken | {v for _, v in _parameters(self.cells)})

    def label(self, language: str = LANGUAGES[0]) -> str:
        return self.cells.get(f"label::{language}", "") or self.name

    @property
    def label_spoken(self) -> str:
        """What the form calls it in the language that is spoken, or in English."""
        return text_in(self.cells, "label") or self.name


def texts_of(cells: Mapping[str, str], column: str) -> dict[str, str]:
    """The texts of a column by the codes of their languages, English first: `label::Español (es)` is `es`."""
    found = {c.rpartition("(")[2].rstrip(")"): text for c, text in cells.items() if c.startswith(f"{column}::") and text}
    return {code: found[code] for code in sorted(found, key=lambda code: code != "en")}


def text_in(cells: Mapping[str, str], column: str) -> str:
    """The text of a column in the language that is spoken; else in English, or '' where there is none."""
    texts = texts_of(cells, column)
    return texts.get(current()) or texts.get("en", "")


def _parameters(cells: Mapping[str, str]) -> list[tuple[str, str]]:
    """Which columns of its list hold a question's codes and labels."""
    return re.findall(r"(value|label)\s*=\s*([^\s,;]+)", cells.get("parameters", ""))


_LOOKED_UP = re.compile(r"""instance\(\s*['"]([^'"]*)['"]\s*\)""")


@dataclass(frozen=True)
class Form:
    """One form: its rows as written (groups and notes too), its questions, its lists, its settings."""

    form_id: str
    title: str
    version: str
    stage: str
    settings: Mapping[str, str]
    rows: tuple[Mapping[str, str], ...]
    questions: tuple[Question, ...]
    choices: Mapping[str, tuple[Mapping[str, str], ...]]
    place: str
    is_own: bool = False
    files: frozenset[str] = field(default_factory=frozenset)
    """Stems of the external lists that the phone needs (`groups`, `staff`, ...)."""

    @property
    def is_active(self) -> bool:
        """Whether phones get it and paper has it; if not, the office still reads what comes by it."""
        return self.settings.get("active", "") != "no"

    @cached_property
    def languages(self) -> tuple[str, ...]:
        """The languages that its labels are written in."""
        return tuple(dict.fromkeys(k.removeprefix("label::") for row in self.rows for k in row if k.startswith("label::")))

    def title_in(self, language: str) -> str:
        return self.settings.get(f"form_title::{language}") or self.title

    @cached_property
    def pictures(self) -> frozenset[str]:
        """The names of the pictures beside its questions and choices."""
        rows = (*self.rows, *(choice for choices in self.choices.values() for choice in choices))
        return frozenset(name for row in rows for name in pictures_of(row))

    @property
    def title_spoken(self) -> str:
        """What it is called in the language that is spoken."""
        return self.title_in(f"{SPOKEN[current()]} ({current()})")

    @cached_property
    def kept(self) -> tuple[Question, ...]:
        """The questions that the store has a column for."""
        return tuple(q for q in self.questions if q.is_kept)

    @cached_property
    def list_columns(self) -> Mapping[str, frozenset[str]]:
        """By external list what may be a column of it that the phone reads: those of code, label and filter of its questions,
        and every word of an expression that looks the list up."""
        found: dict[str, set[str]] = defaultdict(set)
        for q in self.questions:
            if q.type == "select_one_from_file":
                found[q.list_name] |= q.list_columns
        for text in (text for row in self.rows for text in row.values() if "instance" in text):
            for name in _LOOKED_UP.findall(text):
                found[name] |= set(
                    re.findall(r"[A-Za-z_][\w-]*(?!\s*\(|[\w-])", re.sub(r"\$\{[^}]*\}|'[^']*'|\"[^\"]*\"", " ", text))
                )
        return {name: frozenset(columns) for name, columns in found.items()}

    def question(self, name: str) -> Question:
        return next(q for q in self.questions if q.name == name)

    def with_ledger(self, word: str) -> tuple[Question, ...]:
        return tuple(q for q in self.kept if q.ledger == word)

    @cached_property
    def calculations(self) -> dict[str | None, Node]:
        """Calculations that are worked out again in the office, by name."""
        return {q.name: q.calculation for q in self.questions if not q.is_kept and q.calculation is not None}

    def scope(self, own: Question | None = None) -> dict[str | None, Any]:
        """What names mean in SQL over this form's table (`.` is `own`)."""
        scope: dict[str | None, Any] = dict(self.calculations)
        scope |= {q.name: (f'"{q.name}"', q.kind) for q in self.kept}
        if own is not None:
            scope[None] = scope[own.name]
        return scope

    @cached_property
    def has_group(self) -> bool:
        """Whether it is about a group; else about a place, or the whole nursery."""
        return any(q.name == "group_code" for q in self.kept)

    def codes(self, list_name: str) -> list[str]:
        return [row["name"] for row in self.choices[list_name]]


def every(parts: Iterable[Node | None]) -> Node | None:
    """`and` of the parts that are there."""
    whole: Node | None = None
    for part in parts:
        if part is not None:
            whole = part if whole is None else Operation("and", whole, part)
    return whole


def _all_of(texts: Iterable[str]) -> str:
    said = [text for text in texts if text]
    return said[0] if len(said) == 1 else " and ".join(f"({text})" for text in said)


Sheet = list[dict[str, str]]


def _csv_sheet(path: Path) -> Sheet:
    text = text_of(path)
    if isinstance(text, Unreadable):
        raise FormError([tr("{place} {why}.", place=str(path), why=text.why)])
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
        rows = [dict(row) for row in reader]
    except csv.Error as wrong:
        raise FormError(
            [tr("{place}: cannot be read ({why}); save it as CSV UTF-8 with commas.", place=str(path), why=str(wrong))]
        ) from None
    for number, row in enumerate(rows, start=2):
        if None in row or None in row.values():
            said = tr(
                "{place}: not as many cells as the header has; check the commas.", place=place_in_words(f"{path}, row {number}")
            )
            raise FormError([said])
    return _typed_in(path, ({k.strip(): v.strip() for k, v in row.items()} | {"": f"row {n}"} for n, row in enumerate(rows, 2)))


def _typed_in(path: Path, rows: Iterable[dict[str, str]]) -> Sheet:
    """The rows of a sheet, if their cells hold only what a person types; a text may have several lines. Raises FormError."""
    sheet = list(rows)
    for row in sheet:
        if any(has_control(column + re.sub(r"[\r\n\t]", " ", text)) for column, text in row.items()):
            said = tr(
                "{place}: a cell, or its heading, holds a control character; write it again.",
                place=place_in_words(f"{path}, {row['']}"),
            )
            raise FormError([said])
    return sheet


def _xlsx_sheets(path: Path) -> dict[str, Sheet]:
    if not path.is_file():
        raise FormError([tr("{place}: is no plain file; put a workbook there, or take it away.", place=str(path))])
    try:
        found = sheets_of(path)
    except (Unopened, Spent, OSError) as wrong:
        said = tr(
            "{place}: is not a workbook that can be opened ({why}); save it again as .xlsx.", place=str(path), why=str(wrong)
        )
        raise FormError([said]) from None
    sheets: dict[str, Sheet] = {}
    for sheet in found:
        rows = {n: [cell_text(v) for v in row] for n, row in sheet.rows}
        head = rows.pop(1, [])
        blank = dict.fromkeys((h for h in head if h), "")
        read = (
            blank | {h: v for h, v in zip(head, row, strict=False) if h} | {"": f"row {n}"}
            for n, row in rows.items()
            if any(row)
        )
        sheets[_bare(sheet.title)] = _typed_in(path, read)
    return sheets


def _in_small_letters(sheet: str, row: dict[str, str]) -> dict[str, str]:
    """A row with the words of the program as it knows them: `Include` of `Who` is `include` of `who`."""
    told = row | {column: row[column].lower() for column in _IN_SMALL_LETTERS.get(sheet, ()) if column in row}
    if sheet == "survey" and "type" in row:
        base, blank, rest = re.sub(r"(?i)^(begin|end) (?=(group|repeat)$)", r"\1_", row["type"]).partition(" ")
        told["type"] = base.lower() + blank + rest
        if told["type"] == "include":
            told["name"] = row.get("name", "").lower()
    return told


def _bare(text: str) -> str:
    """A heading without case and blanks."""
    return re.sub(r"\s", "", text).casefold()


def _sheets(path: Path) -> dict[str, Sheet]:
    if path.suffix.lower() == ".xlsx":
        return _xlsx_sheets(path)
    return {p.stem: _csv_sheet(p) for p in sorted(path.glob("*.csv"))}


_NAMED = re.compile(r"\$\{\s*(\w+)\s*\}")
_MEANT = re.compile(r"\$\{\s*([^}]*?)\s*\}")
_WORKED_OUT = re.compile(r"[\w-]+\(|\$\{")
"""What makes a default an expression, and no plain text."""


def _with_plain_triggers(rows: Sheet) -> Iterator[dict[str, str]]:
    """Phones notice only what a person answers, so a calculation in `trigger` gives way to what it is worked out from."""
    calculations = {r.get("name", ""): _NAMED.findall(r.get("calculation", "")) for r in rows if r["type"] == "calculate"}

    def plain(name: str, above: frozenset[str] = frozenset()) -> list[str]:
        if name not in calculations or name in above:
            return [] if name in above else [name]
        return [answer for inner in calculations[name] for answer in plain(inner, above | {name})]

    for row in rows:
        if row.get("trigger"):
            names = dict.fromkeys(n for named in _NAMED.findall(row["trigger"]) for n in plain(named))
            row = {**row, "trigger": ", ".join(f"${{{name}}}" for name in names)}
        yield row


class _Builder:
    """Reads one form and gathers every fault, so that a person sees them all at once."""

    def __init__(self, sheets: Mapping[str, Sheet], common: Mapping[str, Sheet], place: str, own: Path | None) -> None:
        self.common, self.place, self.own = common, place, own
        self.faults: list[str] = []
        self.sheets = sheets = {
            name: [_in_small_letters(name, row) for row in self.headed(name, rows)] for name, rows in sheets.items()
        }
        spoken = (k.removeprefix("label::") for row in sheets.get("survey", []) for k in row if k.startswith("label::"))
        self.languages = tuple(dict.fromkeys(spoken)) or LANGUAGES
        """Those that the sheet has label columns for: one may be left out, and others put in."""
        self.untold: dict[str, list[str]] = {}
        """Texts that lack in a language beyond those of the pack."""
        self.unclear: set[str] = set()
        """Names of questions that have a fault already."""
        self.is_whole = True
        """Whether every part to put in was found; if not, what it asks is not missed too."""
        self.read: list[tuple[Mapping[str, str], str, Node]] = []
        """Rows, columns and what is written there."""

    def fault(self, row: Mapping[str, str], sentence: str) -> None:
        self.faults.append(tr("{place}: {fault}.", place=place_in_words(row[""]), fault=sentence))

    def of_settings(self, sentence: str) -> None:
        self.faults.append(tr("{place} settings: {fault}.", place=self.place, fault=sentence))

    def of_survey(self, sentence: str) -> None:
        self.faults.append(tr("{place} survey: {fault}.", place=self.place, fault=sentence))

    def of_choices(self, sentence: str) -> None:
        self.faults.append(tr("{place} choices: {fault}.", place=self.place, fault=sentence))

    def headed(self, sheet: str, rows: Sheet) -> Sheet:
        """A sheet with its columns in the pack's spelling; one that nothing reads is a fault where it is nearly another, or is
        one without its language."""
        known = [*_COLUMNS.get(sheet, ()), *(f"{c}::{x}" for c in _IN_LANGUAGES.get(sheet, ()) for x in LANGUAGES)]
        spelled = {_bare(column): column for column in known}
        there = [column for column in (rows[0] if rows else {}) if column]
        meant = {c: spelled[_bare(c)] for c in there if c not in known and spelled.get(_bare(c), c) not in there}
        heading = {"": f"{self.place} {sheet}, row 1"}
        free = [_bare(c) for c in known if c not in there]
        for column in (c for c in there if c not in known and c not in meant):
            if near := difflib.get_close_matches(_bare(column), free, 1, 0.85):
                said = marked("nothing reads the column {column}; name it {other}, or take it away")
                self.fault(heading, tr(said, column=column, other=spelled[near[0]]))
            elif sheet != "settings" and column in _IN_LANGUAGES.get(sheet, ()):
                full = f"{column}::{LANGUAGES[0]}"
                self.fault(heading, tr("{column} has no language; name the column {full}", column=column, full=full))
        return [{meant.get(c, c): text for c, text in row.items()} for row in rows]

    def parts(self) -> list[str]:
        """The names of what `include` can put in."""
        return list(dict.fromkeys(p for r in self.common["survey"] for p in r.get("part", "").split()))

    def included(self) -> Iterator[dict[str, str]]:
        """The rows of the survey with their places, those of parts in the place of `include`."""
        for row in self.sheets["survey"]:
            if row.get("type") != "include":
                if row.get("type"):
                    yield row | {"": f"{self.place} survey, {row['']}"}
                continue
            part = [r for r in self.common["survey"] if row.get("name") in r.get("part", "").split()]
            if not part:
                self.is_whole = False
                where = place_in_words(f"{self.place} survey, {row['']}")
                said = marked("{place}: there is no common part named {name}; the parts are {parts}.")
                self.faults.append(tr(said, place=where, name=repr(row.get("name")), parts=", ".join(self.parts())))
            own = {k: v for k, v in row.items() if v and k not in ("type", "name")} if len(part) == 1 else {}
            for shared in part:
                yield {k: v for k, v in (shared | own).items() if k != "part"} | {
                    "": f"{self.place} survey, {row['']} ({shared['name']})"
                }

    def spoken(self, row: dict[str, str]) -> dict[str, str]:
        """A row without the languages of the pack that this form leaves out, its picture named for each of the others."""
        gone = tuple(f"::{language}" for language in LANGUAGES if language not in self.languages)
        cells = {k: v for k, v in row.items() if not (gone and k.endswith(gone))}
        if cells.get("type") == "image" and "max-pixels" not in cells.get("parameters", ""):
            cells["parameters"] = f"{cells.get('parameters', '')} {_PHOTO}".strip()
        return for_each_language(cells, self.languages)

    def parse(self, row: Mapping[str, str], column: str) -> Node | None:
        text = row.get(column, "")
        if not text:
            return None
        try:
            tree = expression.parse(text, column == "choice_filter", "." if column == "constraint" else "${name}")
            if column == "calculation" and expression.is_verdict(tree):
                raise ExpressionError(tr("engines write true and false differently; write if(..., 'yes', 'no')"))
            if column in ("relevant", "constraint", "choice_filter") and not expression.is_verdict(tree):
                if isinstance(tree, (expression.Answer, expression.Lookup)):
                    raise ExpressionError(tr("engines differ in whether an answer alone is true; write a comparison"))
                ends = expression.span(tree) or ("10", "100")
                meant = f". >= {ends[0]} and . <= {ends[1]}" if column == "constraint" else "${name} = 'yes'"
                raise ExpressionError(tr("it compares nothing; write a comparison, such as {example}", example=meant))
            self.read.append((row, column, tree))
            return tree
        except ExpressionError as wrong:
            self.fault(row, tr("{column} of {name}: {why}", column=column, name=row.get("name"), why=str(wrong)))
        return None

    def build(self) -> Form:
        if self.faults:  # all else may only follow from a heading
            raise FormError(self.faults)
        missing = [s for s in ("survey", "settings") if not self.sheets.get(s)]
        if missing:
            empty = marked("{place}: has no sheet {sheet}, or nothing below its first row; its sheets are {there}.")
            raise FormError([tr(empty, place=self.place, sheet=listed(missing), there=listed(list(self.sheets)) or "-")])
        if "type" not in self.sheets["survey"][0]:
            said = marked("{place} survey: no column is headed {column}; headings stand in row 1.")
            raise FormError([tr(said, place=self.place, column="type")])
        settings = {k: v for k, v in self.sheets["settings"][0].items() if k}
        for key in ("form_id", "form_title", "version"):
            if not settings.get(key):
                self.of_settings(tr("{key} is empty", key=key))
        if not re.fullmatch(r"[a-z][a-z0-9_]*", settings.get("form_id", "x")):
            self.of_settings(tr("form_id must be small letters, digits and _"))
        if settings.get("version") and not re.fullmatch(r"[0-9]{1,18}", settings["version"]):
            self.of_settings(tr("version must be digits, preferably YYYYMMDD and two more"))
        if settings.get("active", "") not in ("", "yes", "no"):
            self.of_settings(tr("active is yes, no or empty"))
        if LANGUAGES[0] not in self.languages:
            self.of_survey(tr("has no column {column}; the office reads that language", column=f"label::{LANGUAGES[0]}"))
        if settings.get("default_language", self.languages[0]) not in self.languages:
            self.of_settings(tr("default_language is none of {languages}", languages=", ".join(self.languages)))
        try:
            expression.parse(settings.get("instance_name") or "''")
        except ExpressionError as wrong:
            self.of_settings(tr("{column}: {why}", column="instance_name", why=str(wrong)))
        included = [self.spoken(r) for r in self.included()]
        rows = tuple(_with_plain_triggers(included))
        choices = self.choices(rows)
        questions = tuple(self.questions(rows, choices))
        lacking = [name for name in NEEDED if name not in {q.name for q in questions} | self.unclear]
        if lacking and self.is_whole:
            self.of_survey(tr("asks no {name}; put in a row `include` of `who`", name=listed(lacking)))
        files = {r["type"].partition(" ")[2].removesuffix(".csv") for r in rows if r["type"].startswith("select_one_from")}
        files |= {r.get("name", "") for r in rows if r["type"] == "csv-external"}
        form = Form(
            form_id=settings.get("form_id", ""),
            title=settings.get("form_title", ""),
            version=settings.get("version", ""),
            stage=settings.get("stage", ""),
            settings=settings,
            rows=rows,
            questions=questions,
            choices=choices,
            place=self.place,
            is_own=self.own is not None,
            files=frozenset(files),
        )
        self.check_use(form)
        for language, texts in self.untold.items():
            code = language.rpartition("(")[2]
            if ours := next((x for x in LANGUAGES if x.rpartition("(")[2] == code), ""):
                said = marked("{language} is called {other} here; name the column label::{other}, and its others so too")
                self.fault({"": f"{self.place} survey, row 1"}, tr(said, language=language, other=ours))
                continue
            self.faults.append(
                trn(
                    "{place}: {n} text is missing in {language}: {first}. Rows of `include` speak {languages}; for more, begin"
                    " from the complete workbook that is in phone/.",
                    "{place}: {n} texts are missing in {language}, the first is {first}. Rows of `include` speak {languages};"
                    " for more, begin from the complete workbook that is in phone/.",
                    len(texts),
                    place=self.place,
                    language=language,
                    first=texts[0],
                    languages=", ".join(LANGUAGES),
                )
            )
        if self.faults:
            raise FormError(self.faults)
        return form

    def choices(self, rows: Iterable[Mapping[str, str]]) -> dict[str, tuple[Mapping[str, str], ...]]:
        wanted = {r["type"].split(" ")[1]: r for r in rows if re.match(r"select_(one|multiple) ", r["type"])}
        own = self.sheets.get("choices", [])
        if own and not {"list_name", "name"} <= own[0].keys():
            self.of_choices(tr("has no column list_name, or no column name"))
            own = []
        if of_its_own := [c for c in own if c.get("list_name") == "causes"]:
            wanted["causes"] = of_its_own[0]  # they need not be offered: a `cause` may name one
        lists: dict[str, tuple[Mapping[str, str], ...]] = {}
        for name, row in wanted.items():
            found = [c for c in own if c.get("list_name") == name] or [
                c for c in self.common["choices"] if c.get("list_name") == name
            ]
            if not found:
                self.fault(row, tr("there is no list {name} in the choices sheet", name=name))
            codes = [c["name"] for c in found]
            for twice in {c for c in codes if codes.count(c) > 1}:
                self.of_choices(tr("{code} stands twice in list {name}", code=twice, name=name))
            lists[name] = tuple(self.spoken(choice) for choice in found)
            for choice in lists[name]:
                placed = {**choice, "": f"{self.place} choices, {choice['']}"}
                self.translations(placed, ("label",), needed=True)
                self.pictures(placed)
        return lists

    def translations(self, row: Mapping[str, str], columns: Iterable[str], needed: bool) -> None:
        for column in columns:
            lacking = [language for language in self.languages if not row.get(f"{column}::{language}")]
            if len(lacking) == len(self.languages) and not (needed and column == "label"):
                continue
            for language in lacking:
                if language not in LANGUAGES:
                    self.untold.setdefault(language, []).append(tr("{column} of {name}", column=column, name=row.get("name")))
            if told := [x for x in lacking if x in LANGUAGES]:
                said = tr(
                    "{column} of {name} is empty in {languages}", column=column, name=row.get("name"), languages=listed(told)
                )
                self.fault(row, said)

    def pictures(self, row: Mapping[str, str]) -> None:
        for said in faults_of_row(row, self.own):
            self.fault(row, said)

    def questions(self, rows: Iterable[Mapping[str, str]], choices: Mapping[str, Any]) -> Iterator[Question]:
        enclosing: list[tuple[Node | None, str]] = []
        seen: set[str] = set()
        for row in rows:
            base, _, rest = row["type"].partition(" ")
            if base == "end_repeat":
                continue
            if base == "begin_repeat":
                said = marked("{name} is a repeat, and the office takes one answer to a question: send the form once for each")
                self.fault(row, tr(said, name=row.get("name")))
                continue
            name = row.get("name", "")
            if base not in {*_TYPES, *_NO_ANSWER} or (rest and not base.startswith("select_")):
                self.no_type(row)
                continue
            visible = base not in ("calculate", "csv-external", "end_group", "start", "end", "deviceid")
            self.translations(row, _TRANSLATED, needed=visible)
            self.pictures(row)
            if not visible and pictures_of(row):
                said = marked("{name} is not shown on the phone, so it can have no picture; empty the column image")
                self.fault(row, tr(said, name=row.get("name")))
            if base == "end_group":
                if not enclosing:
                    self.fault(row, tr("end_group without begin_group"))
                else:
                    enclosing.pop()
                continue
            if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
                self.fault(row, tr("the name {name} must be small letters, digits and _", name=repr(name)))
                self.unclear |= {name, re.sub(r"[^a-z0-9]+", "_", name.lower())}
            if name in _TAKEN:
                self.fault(row, tr("the name {name} is taken by the program; give the question another", name=name))
            if name in seen:
                self.fault(row, tr("the name {name} is used twice; every question has a name of its own", name=name))
            seen.add(name)
            relevant = self.parse(row, "relevant")
            self.parse(row, "choice_filter")
            if _WORKED_OUT.search(row.get("default", "")):
                self.parse(row, "default")
            if base == "begin_group":
                enclosing.append((relevant, row.get("relevant", "")))
            if base in _NO_ANSWER:
                continue
            if row.get("required", "") not in ("", "yes", "no"):
                self.fault(row, tr("required of {name} is yes or empty; put a condition in relevant", name=name))
            why = f"constraint_message::{LANGUAGES[0]}"
            if row.get("constraint") and LANGUAGES[0] in self.languages and not row.get(why):
                self.fault(row, tr("{name} has a constraint and no constraint_message to explain it", name=name))
            ledger = row.get("ledger", "")
            if ledger and ledger not in LEDGER_WORDS:
                said = tr(
                    "ledger of {name} is {ledger}; the words are {known}",
                    ledger=repr(ledger),
                    name=name,
                    known=", ".join(LEDGER_WORDS),
                )
                self.fault(row, said)
            if ledger == "leaves" and not row.get("cause"):
                self.fault(row, tr("{name} leaves the group without a cause; fill in the cause column", name=name))
            if base == "select_one_from_file":
                self.check_file(row, rest)
            yield Question(
                name=name,
                type=base,
                list_name=rest.removesuffix(".csv"),
                cells=row,
                place=row[""],
                required=row.get("required") == "yes" or ledger == "group",
                relevant=every([*(tree for tree, _ in enclosing), relevant]),
                asked_when=_all_of([*(text for _, text in enclosing), row.get("relevant", "")]),
                constraint=self.parse(row, "constraint"),
                calculation=self.parse(row, "calculation"),
                ledger=ledger,
                cause=row.get("cause", ""),
                unit=row.get("unit", "").lower(),
            )
        if enclosing:
            self.of_survey(tr("a begin_group has no end_group"))

    def no_type(self, row: Mapping[str, str]) -> None:
        """Says of a row that its type is none, or that it is no question but a note."""
        if not any(row.get(column) for column in ("name", *(f"label::{x}" for x in self.languages))):
            self.fault(row, tr("this is no question; keep notes beside the table, or on another sheet"))
            return
        self.unclear.add(row.get("name", ""))
        self.is_whole = self.is_whole and row.get("name") not in self.parts()
        said = marked("the type {type} is not one that this pack can check and book; the types are {types}")
        types = ", ".join((*_TYPES, "note", "begin_group", "end_group", "include"))
        self.fault(row, tr(said, type=repr(row["type"]), types=types))

    def check_file(self, row: Mapping[str, str], file: str) -> None:
        """A list of its own file is a CSV, and the question says which of its columns are code and label: the lists here have
        those two, and a phone that looks for others cannot open the form."""
        name = row["name"]
        if not re.fullmatch(r"\w+\.csv", file):
            said = marked("the type of {name} must name a list of the folder lists, such as select_one_from_file staff.csv")
            self.fault(row, tr(said, name=name))
            return
        given = dict(_parameters(row))
        if given.get("value") != "code" or "label" not in given:
            self.fault(
                row,
                tr(
                    "{name} does not say which columns of {file} are its codes and labels, so a phone cannot open the form;"
                    " write value=code label=label into the column parameters",
                    name=name,
                    file=file,
                ),
            )

    def check_choices(self, form: Form) -> None:
        """What an answer is compared with is one that can be chosen; of a shipped list, fewer may be offered."""
        pack = _shipped_forms().values() if self.own is not None else ()
        asked = {q.name: q for q in form.questions if form.choices.get(q.list_name)}
        for row, column, tree in self.read:
            for name, text in dict.fromkeys(expression.compared_with(tree)):
                q = asked.get(row.get("name", "") if name is None else name)
                if q is None:
                    continue
                codes = form.codes(q.list_name)
                known = {*codes, *(choice["name"] for other in pack for choice in other.choices.get(q.list_name, ()))}
                words = text.split() if q.type == "select_multiple" else [text]
                if {*words} - known:
                    said = marked("{column} of {name}: {text} is no choice of {list} ({codes}); write one of these")
                    values = {"text": f"'{text}'", "list": q.list_name, "codes": listed(codes, 5)}
                    self.fault(row, tr(said, column=column, name=row.get("name"), **values))

    def check_use(self, form: Form) -> None:
        """Names in expressions exist, what they are compared with too, and what the office must judge can be said in SQL."""
        names = {q.name for q in form.questions} | self.unclear
        lists = (*self.common["choices"], *form.choices.get("causes", ()))
        causes = {c["name"] for c in lists if c.get("list_name") == "causes"}
        said = marked("{column} of {name} speaks of {used}, which the form does not ask")
        for row in form.rows:
            for column in (c for c in row if c.partition("::")[0] in _SPEAKING):
                for used in dict.fromkeys(_MEANT.findall(row[column])):
                    if used not in names and self.is_whole:
                        self.fault(row, tr(said, column=column, name=row.get("name"), used=used))
        self.check_choices(form)
        for q in form.questions:
            other = q.cause.removeprefix("${").removesuffix("}")
            if q.cause and other not in (names if q.cause.startswith("${") else causes):
                said = tr("cause of {name} is {cause}, which is no cause and no question", name=q.name, cause=repr(q.cause))
                self.fault(q.cells, said)
            if not q.is_kept or q.ledger == "group":
                continue
            for column, tree in (("relevant", q.relevant), ("constraint", q.constraint)):
                try:
                    if tree is not None and not self.faults:
                        expression.to_sql(tree, form.scope(q))
                except ExpressionError as wrong:
                    self.fault(q.cells, tr("{column} of {name}: {why}", column=column, name=q.name, why=str(wrong)))
        has_place = bool(form.with_ledger("place"))
        for q in form.with_ledger("reading"):
            if q.kind != "number":
                self.fault(q.cells, tr("{name} is a reading, so its type is decimal or integer", name=q.name))
            meant = _UNITS.get(q.unit)
            if not re.fullmatch(r"[a-z0-9_]*", q.unit) or (meant and q.name.endswith(f"_{meant}")):
                said = marked(
                    "unit of {name} is {unit}; write c for °C, pct for %, ms_cm for mS/cm, others in small letters, digits"
                    " and _"
                )
                self.fault(q.cells, tr(said, name=q.name, unit=repr(q.cells["unit"])))
            if not has_place and self.is_whole:
                said = marked("{name} is a reading, which is of a place; put in a row `include` of `location`")
                self.fault(q.cells, tr(said, name=q.name))
        booked = [q for q in form.kept if q.ledger in BOOKED and not form.has_group and self.is_whole]
        for q in booked:
            said = marked("{name} books plants, but the form names no group; put in a row `include` of `sign`")
            self.fault(q.cells, tr(said, name=q.name))


@functools.cache
def _common() -> Mapping[str, Sheet]:
    return _sheets(shipped("forms") / "_common")


def _load_folder(folder: Path, is_own: bool) -> dict[str, Form]:
    forms: dict[str, Form] = {}
    faults: list[str] = []
    for path in sorted(folder.iterdir()):
        where, ending = f"forms/{path.name}", path.suffix.lower()
        place = tr("your {place}", place=where) if is_own else where
        is_form = (path.is_dir() and (path / "survey.csv").exists()) or ending == ".xlsx"
        if path.name.startswith(("_", ".", "~")):
            continue
        if is_own and ending in _NOT_READ and not path.with_suffix(".xlsx").exists():
            said = marked(
                "{place}: a form is read from .xlsx alone; save it as an Excel workbook (.xlsx), and take this one away."
            )
            faults.append(tr(said, place=place))
        if not is_form:
            continue
        try:
            form = _Builder(_sheets(path), _common(), place, folder if is_own else None).build()
        except FormError as wrong:
            faults += wrong.faults
            continue
        if form.form_id in forms:
            faults.append(
                tr(
                    "{place}: the form id {form} is used by {other} too.",
                    place=place,
                    form=form.form_id,
                    other=forms[form.form_id].place,
                )
            )
        forms[form.form_id] = form
    if faults:
        raise FormError(faults)
    return forms


@functools.cache
def _shipped_forms() -> Mapping[str, Form]:
    return _load_folder(shipped("forms"), is_own=False)


def load_forms(own: Path | None = None) -> dict[str, Form]:
    """Every form by its id: the shipped ones, and those in the folder `own`, which win. Raises FormError."""
    forms = dict(_shipped_forms())
    if own is not None and own.is_dir():
        forms |= _load_folder(own, is_own=True)
        if faults := list(faults_of_files({name for form in forms.values() for name in form.pictures}, own)):
            raise FormError(faults)
    return dict(sorted(forms.items()))


def replaced(form: Form) -> Form | None:
    """The shipped form in whose place a nursery's own stands."""
    return _shipped_forms().get(form.form_id) if form.is_own else None


def causes() -> list[Mapping[str, str]]:
    """The causes of loss, with their labels and the kind of movement each makes."""
    return [c for c in _common()["choices"] if c["list_name"] == "causes"]
