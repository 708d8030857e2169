"""The clerk's list of problems as a workbook, and the decisions that come back in it."""

from __future__ import annotations

import datetime as dt
import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formpack.catalog import Form
from pipeline.findings import Refused, Rule, sentence
from pipeline.intake.corrections import Correction, add, all_corrections, in_force, overlay
from pipeline.intake.validate import type_answers
from pipeline.store import Store
from pipeline.tables import labels, plain_cell

SHEET = "problems"
COLUMNS = {
    "how bad": 15,
    "form": 13,
    "group": 12,
    "date": 12,
    "person": 9,
    "what is wrong": 60,
    "what to do": 46,
    "value": 16,
    "decision": 16,
    "question": 16,
    "new answer": 16,
    "reason": 30,
    "rule": 18,
    "submission": 46,
    "row key": 20,
}
"""Heading -> width. Those in OPEN are for the clerk, the rest are locked."""
OPEN = ("decision", "question", "new answer", "reason")
DECISIONS = ("accept as it is", "correct", "withdraw", "leave")
_HINTS = {
    "decision": "accept as it is: nothing is wrong (notes and double entries only). correct: give the question, the new"
    " answer and why. withdraw: it counts for nothing. leave: decide later.",
    "question": "The name of the question to correct. Change it when another answer of the same submission is the wrong one.",
    "new answer": "As a phone would send it: digits, a day as 2026-03-02, a code from the lists. Empty takes the answer away.",
    "reason": "Why, in a few words. Without it the row is refused.",
}
_QUERY = """
SELECT p.severity, p.form_id, p.group_code, s.visit_date, s.staff_code, p.message, p.advice, p.value, p.field, p.rule,
    p.instance_id, coalesce(c.reading_id::VARCHAR, '')
FROM problems p LEFT JOIN submissions s USING (instance_id) LEFT JOIN work.current c USING (instance_id)
"""


def _key(reading_id: str, instance_id: str, rule: str, field: str | None, value: str | None) -> str:
    """Changes when the finding, or anything that its submission says, changes."""
    said = "\n".join((reading_id, instance_id, rule, field or "", value or ""))
    return hashlib.sha256(said.encode("utf-8", "replace")).hexdigest()[:16]


def _findings(store: Store) -> list[tuple[Any, ...]]:
    """Findings grouped by submission, the worst submission first, each with its row key last."""
    rows = store.rows(_QUERY)
    order = list(Rule.__members__)
    worst: dict[str, tuple[int, int]] = {}
    for row in rows:
        bad = (row[0] != "stop", order.index(row[9]))
        worst[row[10]] = min(worst.get(row[10], bad), bad)
    rows.sort(key=lambda r: (worst[r[10]], r[10], r[0] != "stop", order.index(r[9]), r[8] or ""))
    return [(*row[:11], _key(row[11], row[10], row[9], row[8], row[7])) for row in rows]


def write_list(store: Store, path: Path) -> int:
    """Write the workbook; returns the number of rows. Locked but for the clerk's columns, with no password."""
    import openpyxl
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill, Protection
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation
    from openpyxl.worksheet.properties import PageSetupProperties

    from formpack.group_code import shown

    book = openpyxl.Workbook()
    sheet: Any = book.active
    sheet.title = SHEET
    sheet.append(list(COLUMNS))
    for position, (name, width) in enumerate(COLUMNS.items(), start=1):
        head = sheet.cell(1, position)
        head.font, head.fill = Font(bold=True), PatternFill("solid", fgColor="F0DDB8" if name in OPEN else "D9E4CF")
        if name in _HINTS:
            head.comment = Comment(_HINTS[name], "formpack", width=360, height=110)
        sheet.column_dimensions[get_column_letter(position)].width = width
    rows = _findings(store)
    for severity, form, code, day, staff, message, advice, value, field, rule, instance, key in rows:
        bad = "keeps it out" if severity == "stop" else "worth a look"
        about = (bad, form, shown(code) if code else None, day, staff)
        cells = (*about, message, advice, value, None, field, None, None, rule, instance, key)
        sheet.append([plain_cell(v) for v in cells])
        lines = max(
            math.ceil(len(text or "") / (COLUMNS[name] * 0.95))
            for name, text in (("what is wrong", message), ("what to do", advice))
        )
        sheet.row_dimensions[sheet.max_row].height = 15 * max(1, lines)
        for name, cell in zip(COLUMNS, sheet[sheet.max_row], strict=True):
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            if isinstance(cell.value, str):
                cell.data_type = "s"
                cell.quotePrefix = cell.value[:1] in "=+-@"
            if name in OPEN:
                cell.protection = Protection(locked=False)
            if name == "new answer":
                cell.number_format = "@"  # so that 007 and 26-0012-39 stay what was typed
            if name == "date":
                cell.number_format = "yyyy-mm-dd"
    choose = DataValidation("list", formula1='"' + ",".join(DECISIONS) + '"', allow_blank=True, showErrorMessage=True)
    choose.error, choose.errorTitle = "Choose one of: " + ", ".join(DECISIONS), "decision"
    sheet.add_data_validation(choose)
    column = get_column_letter(list(COLUMNS).index("decision") + 1)
    choose.add(f"{column}2:{column}{max(2, len(rows) + 1)}")
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(COLUMNS))}{len(rows) + 1}"
    sheet.protection.sheet = True
    sheet.protection.autoFilter = sheet.protection.sort = sheet.protection.formatColumns = False
    sheet.page_setup.orientation, sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = "landscape", 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    beside = path.with_name(f".{path.name}.new")
    book.save(beside)
    beside.replace(path)
    return len(rows)


@dataclass(frozen=True)
class Decided:
    """One row of the list as it came back."""

    row: int
    decision: str
    field: str
    new_answer: str
    reason: str
    rule: str
    instance_id: str
    key: str


@dataclass(frozen=True)
class Verdict:
    """What became of a row: `done`, `already` done before, or `refused`; `says` is a sentence."""

    row: int
    what: str
    says: str


def _text(value: Any) -> str:
    if isinstance(value, dt.datetime):
        return value.date().isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "" if value is None else str(value).strip()


def read_list(path: Path) -> Iterator[Decided]:
    """The rows with a decision. Raises Refused when it is not a list of this program."""
    import openpyxl

    try:
        book = openpyxl.load_workbook(path)  # a formula stays its text: what it would come to is nobody's decision
        sheet = book[SHEET]
        rows = [[_text(v) for v in row] for row in sheet.iter_rows(values_only=True)]
    except FileNotFoundError:
        raise Refused(f"{path} is not there; `formpack problems --to {path.name}` writes the list.") from None
    except Exception as wrong:  # a damaged or foreign workbook makes openpyxl raise almost anything
        raise Refused(
            f"{path.name} is not a list of problems ({wrong}); write a new one with `formpack problems --to`."
        ) from None
    head = rows[0] if rows else []
    if not set(COLUMNS) <= set(head):
        missing = ", ".join(c for c in COLUMNS if c not in head)
        raise Refused(
            f"{path.name}, row 1: the headings {missing} are missing; write a new list with `formpack problems --to`."
        )
    for number, cells in enumerate(rows[1:], start=2):
        row = dict(zip(head, cells, strict=False))
        if row["decision"] and row["decision"] != "leave":
            yield Decided(number, *(row[name] for name in (*OPEN, "rule", "submission", "row key")))


class Desk:
    """Decides the rows of one list against the store, one submission at a time."""

    def __init__(self, store: Store, forms: dict[str, Form], lists: dict[str, set[str]], by: str, now: dt.datetime) -> None:
        self.store, self.forms, self.lists, self.by, self.now = store, forms, lists, by, now
        self.records = all_corrections(store)
        self.number = max([r.number for r in self.records], default=0)
        self.keys = {row[-1]: (row[10], row[9]) for row in _findings(store)}
        self.known = {i for (i,) in store.rows("SELECT instance_id FROM work.states")}
        self.new: list[Correction] = []

    def record(self, row: Decided, kind: str, old: str = "") -> Correction:
        self.number += 1
        field, new = (row.field, row.new_answer) if kind == "correct" else ("", "")
        rule = row.rule if kind == "accept" else ""
        return Correction(self.number, self.now, self.by, row.instance_id, kind, field, old, new, rule, row.reason)

    def in_force(self, row: Decided) -> Correction | None:
        """The record in force that says exactly what the row says."""
        kind = {"accept as it is": "accept", "withdraw": "withdraw", "correct": "correct"}.get(row.decision, "")
        what = {"correct": "answer", "withdraw": "whole"}.get(kind, kind)
        subject = (row.instance_id, what, {"accept": row.rule, "correct": row.field}.get(kind, ""))
        last = next((r for r in reversed([*self.records, *self.new]) if r.subject == subject), None)
        same = last is not None and last.kind == kind and (kind != "correct" or last.new_answer == row.new_answer)
        return last if same else None

    def fault(self, row: Decided) -> str:
        """Why the row by itself cannot be done; '' when it can."""
        if row.decision not in DECISIONS:
            return f"{row.decision!r} is no decision; choose {', '.join(DECISIONS)}"
        if row.instance_id not in self.known:
            return f"there is no submission {row.instance_id!r}"
        if not row.reason:
            return "it has no reason; say why in a few words"
        if self.keys.get(row.key) != (row.instance_id, row.rule):
            return "what it is about has changed since the list was made; write a new list and decide again"
        if row.decision == "accept as it is" and not Rule[row.rule].may_be_accepted:
            return "this cannot be right as it is; correct it or withdraw the submission"
        return ""

    def decide(self, rows: list[Decided]) -> list[Verdict]:
        """The verdicts on all rows about one submission. Corrections of one submission go in together or not at all."""
        verdicts, corrections = [], []
        for row in rows:
            before = self.in_force(row) if row.decision in DECISIONS else None
            if before is not None:
                says = "was done with another row of the same submission" if before in self.new else "was done before"
                verdicts.append(Verdict(row.row, "already", says))
            elif fault := self.fault(row):
                verdicts.append(Verdict(row.row, "refused", fault))
            elif row.decision == "correct":
                corrections.append(row)
            else:
                self.new.append(self.record(row, "accept" if row.decision == "accept as it is" else "withdraw"))
                verdicts.append(Verdict(row.row, "done", "accepted as it is" if row.decision[0] == "a" else "withdrawn"))
        if corrections:
            verdicts += self._correct(corrections)
        return verdicts

    def _correct(self, rows: list[Decided]) -> list[Verdict]:
        instance_id = rows[0].instance_id
        hint, answers, twice, today = self.store.rows(
            "SELECT c.form_id, map_from_entries(list_zip(r.heading::JSON::VARCHAR[], r.texts)), r.twice, c.received_on"
            " FROM work.current c JOIN work.received r USING (reading_id) WHERE c.instance_id = ? LIMIT 1",
            [instance_id],
        )[0]
        answers = {name: text for name, text in answers.items() if text is not None}
        form = self.forms.get(hint)
        if form is None:
            return [Verdict(r.row, "refused", "its form is not in the pack, so no answer can be corrected") for r in rows]
        names = {q.name for q in form.kept}
        for row in rows:
            if row.field not in names:
                return [Verdict(r.row, "refused", f"the form {form.form_id} asks no {row.field!r}") for r in rows]
        given = {r.field: r.new_answer for r in rows}
        if len(given) < len(rows) and len({(r.field, r.new_answer) for r in rows}) > len(given):
            return [Verdict(r.row, "refused", "two rows give the same question different answers") for r in rows]
        before = overlay(answers, in_force(self.records).answers.get(instance_id, {}))
        fault = self._fault_of(form, overlay(before, given), set(given), twice, today)
        if fault:
            return [Verdict(r.row, "refused", fault) for r in rows]
        done = {}
        for row in rows:
            if row.field not in done:
                done[row.field] = self.record(row, "correct", before.get(row.field, ""))
        self.new += done.values()
        return [Verdict(r.row, "done", f"{r.field} is now {r.new_answer or 'without an answer'}") for r in rows]

    def _fault_of(self, form: Form, answers: dict[str, str], given: set[str], twice: str, today: dt.date) -> str:
        """The first finding that the corrected answers give where they were corrected; '' when there is none."""
        from formpack.answer_schema import answer_validator

        unsettled = [n for n in twice.split() if n not in given]
        typed, found = type_answers(form, answers, unsettled, answer_validator(form, today))
        for finding in found:
            if finding.field in given:
                return sentence(finding, labels(self.forms)).rstrip(".")
        for name in given:
            q = form.question(name)
            if q.type == "select_one_from_file" and name in typed and typed[name] not in self.lists.get(q.list_name, set()):
                return f"{q.label()}: {typed[name]} is not in the list {q.list_name}"
        return ""

    def undo(self, rows: list[Decided]) -> list[Verdict]:
        """Add the opposite of what the rows did."""
        verdicts = []
        for row in rows:
            done = self.in_force(row)
            if done is None:
                verdicts.append(Verdict(row.row, "already", "is not in force, so there is nothing to undo"))
                continue
            self.number += 1
            self.new.append(done.opposite(self.number, self.now, self.by, row.reason or "undone"))
            verdicts.append(Verdict(row.row, "done", "undone"))
        return verdicts


def decide_list(desk: Desk, rows: Iterable[Decided], undo: bool) -> list[Verdict]:
    """The verdict on every row, in order of rows; what is done is appended to the corrections."""
    by_submission: dict[str, list[Decided]] = {}
    for row in rows:
        by_submission.setdefault(row.instance_id, []).append(row)
    verdicts = [v for same in by_submission.values() for v in (desk.undo(same) if undo else desk.decide(same))]
    add(desk.store, desk.new)
    return sorted(verdicts, key=lambda v: v.row)
