"""Headings of tables that people type: which question a column means, and which form a sheet.

A column means a question by the last part of its name, whatever stands before it, or by the question's label in any
of the form's languages; case, accents and blanks do not matter.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from formpack.catalog import Form

_OURS = {n.replace("_", "").lower(): n for n in ("form_id", "form_version", "instanceID", "deprecatedID", "KEY")}
"""What tells who a submission is, by its folded name."""
GROUP_WORDS = ("Group code", "Código del grupo", "Código do grupo", "Group", "Grupo")
"""What people call the code of the group, which the forms put together themselves."""
NAMELESS = "(without a heading)"
LOOKED_AT = 15
"""Rows from the top among which the heading is looked for."""
LONGEST = 1_000
"""Letters of a cell from which on it is no heading, and is not compared with any."""
_FROM_EXPORTS = set(
    """
    key parentkey form_id form_version formid formversion instanceid instancename deprecatedid submissiondate submitterid
    submittername attachmentspresent attachmentsexpected status reviewstate edits deviceid username email phonenumber today
    start end
    """.split()
)
"""Columns that exports of submissions have beside the questions, folded."""


@functools.cache
def folded(text: str) -> str:
    """A text without case, accents and what is no letter or digit, to compare what people type with what is meant."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    return re.sub(r"[^\w]|_", "", "".join(c for c in plain if not unicodedata.combining(c)))


def last_part(tag: str) -> str:
    """What a column's name ends in, whatever path stands before it."""
    return re.split(r"[/.:\-]", tag.strip())[-1].strip()


@dataclass(frozen=True)
class Columns:
    """What the columns of a table mean: `names`, one a column; those that fit no question, as written; and the questions that
    are required and have no column."""

    names: tuple[str, ...]
    strange: tuple[str, ...]
    absent: tuple[str, ...]


def _words(form: Form) -> dict[str, str]:
    """Folded names and labels of a form's questions -> names; what means two questions means none, and names win."""
    words: dict[str, set[str]] = {}
    for q in form.kept:
        for said in GROUP_WORDS if q.ledger == "group" else ():
            words.setdefault(folded(said), set()).add(q.name)
        for column, text in q.cells.items():
            if column.startswith("label") and folded(text):
                words.setdefault(folded(text), set()).add(q.name)
    return {w: n for w, (n, *more) in words.items() if not more} | {folded(q.name): q.name for q in form.kept}


class Headings:
    """What the forms of a pack may be called by in tables."""

    def __init__(self, forms: Mapping[str, Form]) -> None:
        self.forms = forms
        self._names = {q.name for form in forms.values() for q in form.kept}
        self._words = {form_id: _words(form) for form_id, form in forms.items()}
        self._spelled = {word for words in self._words.values() for word in words}
        self._by_length = sorted(forms, key=len, reverse=True)

    @functools.cached_property
    def _folded_ids(self) -> dict[str, str]:
        titles = {folded(form.title_in(spoken)): form_id for form_id, form in self.forms.items() for spoken in form.languages}
        return titles | {folded(form_id): form_id for form_id in self.forms}

    def form_of(self, hint: str) -> str:
        """The form that an id, a title, or the name of a file or sheet means (`bud_take-2026-11-02`); '' for none."""
        if hint in self.forms:
            return hint
        for form_id in self._by_length:
            if re.match(rf"{form_id}(?!_?[a-z])", hint.lower()):
                return form_id
        return self._folded_ids.get(folded(re.sub(r"[\d\W_]+$", "", hint)), "")

    def known(self, cells: Sequence[str]) -> tuple[int, int]:
        """How many of the cells are names of questions, and how many can be taken for names or labels."""
        short = [c for c in cells if 0 < len(c) < LONGEST]
        exact = sum(last_part(c) in self._names for c in short)
        return exact, sum(folded(c) in self._spelled or folded(last_part(c)) in self._spelled for c in short)

    def at(self, rows: Sequence[Sequence[str]]) -> int:
        """Which of the first rows is the heading: the first, unless one below it is known and it is not."""
        if not self.forms or not rows:
            return 0
        scores = [self.known(row) for row in rows[:LOOKED_AT]]
        for kind in (0, 1):
            best = max(score[kind] for score in scores)
            if scores[0][kind] >= 2 and scores[0][kind] * 2 > best:
                return 0
            if best >= 2:
                return next(i for i, score in enumerate(scores) if score[kind] == best)
        return 0

    def columns(self, form_id: str, tags: Sequence[str]) -> Columns:
        """What the columns of a table of a form mean."""
        form = self.forms[form_id]
        words, names = self._words[form_id], {q.name for q in form.kept}
        others = {folded(row.get("name", "")) for row in form.rows} | _FROM_EXPORTS
        meant, strange = [], []
        for tag in tags:
            part = last_part(tag)
            name = part if part in names else words.get(folded(part)) or words.get(folded(tag)) or _OURS.get(folded(part), "")
            if not name and folded(part) not in others and not tag.strip().startswith("_"):
                strange.append(tag.strip() or NAMELESS)
            meant.append(name or part or tag.strip())
        absent = tuple(q.name for q in form.kept if q.required and q.name not in meant)
        return Columns(tuple(meant), tuple(strange), absent)
