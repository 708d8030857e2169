"""What was sent, submission by submission, as it stands now: for the screen, and as a workbook to put it right in."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formpack.catalog import Form
from formpack.group_code import is_group_code, plain, shown
from formpack.words import many, marked, tr, unpacked
from pipeline.findings import Refused
from pipeline.intake.corrections import all_corrections, in_force, overlay
from pipeline.intake.days import CAME_IN_ON, FILES, OF_A_DAY, OF_A_FILE
from pipeline.intake.states import STATE_WORDS
from pipeline.office.decision_sheet import BEHIND, OPEN, Choices, Row, place_in_file, write_sheet
from pipeline.office.desk import contents_of, last_number, row_key
from pipeline.store import Store
from pipeline.tables import labels

SHEET = "records"
COLUMNS = {
    marked("form"): 13,
    marked("group"): 12,
    marked("date"): 12,
    marked("person"): 9,
    marked("state"): 13,
    marked("asked"): 34,
    marked("answer"): 24,
    marked("sent"): 16,
    **OPEN,
    **BEHIND,
}
"""Heading -> width. `sent` is what the phone sent, where a person has corrected it since."""
MOST_ROWS = 20_000
"""Rows of a workbook to decide in; a spreadsheet opens more, but nobody reads them."""
TABLES = ("submissions",)


@dataclass(frozen=True)
class Wanted:
    """Which submissions: '' and None mean all."""

    group: str = ""
    person: str = ""
    since: dt.date | None = None
    until: dt.date | None = None
    form: str = ""
    file: str = ""
    submission: str = ""
    state: str = ""


@dataclass(frozen=True)
class Sent:
    """One submission. `answers` are texts as they stand now; `sent` has what came where a person has corrected it."""

    instance_id: str
    form_id: str
    group_code: str
    visit_date: dt.date | None
    staff_code: str
    state: str
    replaced_by: str
    received_at: dt.datetime
    file: str
    row: str | int | None
    answers: Mapping[str, str]
    sent: Mapping[str, str]


@dataclass(frozen=True)
class SentFile:
    """One file that came in, by its SHA-256."""

    sha256: str
    name: str
    received_on: dt.date
    submissions: int


_HEADS = """
SELECT s.instance_id, coalesce(s.form_id, ''), coalesce(s.group_code, ''), s.visit_date, coalesce(s.staff_code, ''), s.state,
    coalesce(s.superseded_by, ''), s.received_at, f.name, c.source
"""
_RECORDS = """
FROM submissions s JOIN work.current c USING (instance_id) JOIN work.readings r USING (reading_id)
JOIN kept.raw_files f USING (sha256)
"""
_FITS = f"""
{_RECORDS}
WHERE ($1 = '' OR s.group_code = $1) AND ($2 = '' OR s.staff_code = $2)
    AND ($3::DATE IS NULL OR coalesce(s.visit_date, c.received_on) >= $3)
    AND ($4::DATE IS NULL OR coalesce(s.visit_date, c.received_on) <= $4)
    AND ($5 = '' OR s.form_id = $5) AND ($6 = '' OR s.state = $6) AND ($7 = '' OR s.instance_id = $7)
    AND ($8::VARCHAR[] IS NULL OR s.instance_id IN (SELECT instance_id FROM work.received WHERE sha256 IN (SELECT unnest($8))))
"""
_TEXTS = """
SELECT c.instance_id, r.heading, r.texts, r.rule <> '' AS is_unread, r.why
FROM work.current c JOIN work.received r USING (reading_id) JOIN kept.raw_files f USING (sha256)
WHERE c.instance_id IN (SELECT unnest(?))
QUALIFY row_number() OVER (PARTITION BY c.instance_id ORDER BY f.received_at, r.sha256, r.item) = 1
"""
_FILES = f"""
SELECT f.sha256, f.name, f.received_on, count(DISTINCT r.instance_id)
FROM {FILES} f LEFT JOIN work.received r USING (sha256)
WHERE {{}} GROUP BY f.sha256, f.name, f.received_on, f.received_at ORDER BY f.received_at, f.sha256
"""
_OF_DAYS = f"""
SELECT received_on, count(*) FROM {FILES} WHERE received_on IN (SELECT unnest(?)) GROUP BY received_on ORDER BY received_on
"""


def files_called(store: Store, name: str) -> list[SentFile]:
    """The files of that name; where none has it, those whose name holds it. Raises Refused where there is none."""
    for condition in ("lower(f.name) = lower($1)", "contains(lower(f.name), lower($1))"):
        found = [SentFile(*row) for row in store.rows(_FILES.format(condition), [name.replace("\\", "/").rpartition("/")[2]])]
        if found:
            return found
    raise Refused(tr("--file {name}: no file of that name has come in.", name=name))


def _identity(store: Store, given: str) -> str:
    """The one identity that is meant by it, or its beginning. Raises Refused."""
    found = store.rows(
        "SELECT instance_id FROM submissions WHERE instance_id = $1 OR starts_with(instance_id, $1)"
        " OR starts_with(instance_id, 'uuid:' || $1) ORDER BY instance_id <> $1, instance_id LIMIT 2",
        [given],
    )
    if not found or (len(found) > 1 and found[0][0] != given):
        several = marked("--submission {given}: more than one begins with it; give more of it.")
        raise Refused(tr(several if found else marked("--submission {given}: there is none."), given=given))
    return str(found[0][0])


def _values(store: Store, wanted: Wanted, forms: Mapping[str, Form]) -> tuple[list[Any], list[SentFile]]:
    """The parameters of the query, and the files meant. Raises Refused for what cannot be meant."""
    group = plain(wanted.group) or wanted.group
    about_group = marked("--group {given}: no submission is about such a group.")
    by_person = marked("--person {given}: no submission is by such a person.")
    for given, value, column, said in (
        (wanted.group, group, "group_code", about_group),
        (wanted.person, wanted.person, "staff_code", by_person),
    ):
        if value and not store.value(f"SELECT count(*) FROM submissions WHERE {column} = ?", [value]):
            raise Refused(tr(said, given=given))
    if wanted.form and not store.value("SELECT count(*) FROM submissions WHERE form_id = ?", [wanted.form]):
        if wanted.form in forms:
            raise Refused(tr("--form {form}: nothing of it has come in.", form=wanted.form))
        said = marked("--form {form}: there is no such form; the forms are {forms}.")
        raise Refused(tr(said, form=wanted.form, forms=", ".join(sorted(forms))))
    if wanted.since and wanted.until and wanted.since > wanted.until:
        said = marked("--from {since} is after --until {until}.")
        raise Refused(tr(said, since=wanted.since.isoformat(), until=wanted.until.isoformat()))
    files = files_called(store, wanted.file) if wanted.file else []
    submission = _identity(store, wanted.submission) if wanted.submission else ""
    shas = [f.sha256 for f in files] or None
    return [group, wanted.person, wanted.since, wanted.until, wanted.form, wanted.state, submission, shas], files


@dataclass(frozen=True)
class Found:
    """The submissions that fit (the first of them, the latest work first), how many fit and how many by state, and the files
    meant."""

    records: list[Sent]
    states: dict[str, int]
    files: list[SentFile]

    @property
    def many(self) -> int:
        return sum(self.states.values())


def find(store: Store, wanted: Wanted, forms: Mapping[str, Form], most: int | None = None) -> Found:
    """What fits; of the records the first `most`. Raises Refused."""
    values, files = _values(store, wanted, forms)
    states = dict(store.rows(f"SELECT s.state, count(*) {_FITS} GROUP BY s.state ORDER BY s.state", values))
    limit = "" if most is None else f" LIMIT {most}"
    rows = store.rows(
        f"{_HEADS} {_FITS} ORDER BY coalesce(s.visit_date, c.received_on) DESC, s.instance_id{limit}",
        values,
    )
    return Found(_with_answers(store, rows, forms), states, files)


def by_identity(store: Store, ids: Sequence[str], forms: Mapping[str, Form]) -> dict[str, Sent]:
    """These submissions, by their identities."""
    rows = store.rows(f"{_HEADS} {_RECORDS} WHERE s.instance_id IN (SELECT unnest(?))", [list(ids)])
    return {record.instance_id: record for record in _with_answers(store, rows, forms)}


def _with_answers(store: Store, rows: Sequence[tuple[Any, ...]], forms: Mapping[str, Form]) -> list[Sent]:
    """The submissions of these heads, with what they say."""
    ids = [row[0] for row in rows]
    texts = {
        instance_id: dict(zip(json.loads(heading), texts, strict=True)) | ({"": unpacked(why)} if is_unread else {})
        for instance_id, heading, texts, is_unread, why in store.rows(_TEXTS, [ids])
    }
    corrected = in_force(all_corrections(store)).answers
    return [_sent(row, texts.get(row[0], {}), corrected.get(row[0], {}), forms) for row in rows]


def _sent(
    row: tuple[Any, ...], texts: Mapping[str, str | None], corrected: Mapping[str, str], forms: Mapping[str, Form]
) -> Sent:
    instance_id, form_id, code, day, staff, state, by, received_at, file, place = row
    came = {name: text for name, text in texts.items() if text is not None}
    form = forms.get(form_id)
    if form is not None:  # in the order in which they are asked
        came = {q.name: came[q.name] for q in form.kept if q.name in came and not q.is_metadata}
    now = overlay(came, corrected)
    order = [q.name for q in form.kept] if form else []
    answers = {name: now[name] for name in dict.fromkeys([*order, *now]) if name in now}
    sent = {name: came.get(name, "") for name, text in corrected.items() if came.get(name, "") != text}
    where = place_in_file(file, place)
    return Sent(instance_id, form_id, code, day, staff, state, by, received_at, file, where, answers, sent)


SAID_BEFORE = ("visit_date", "staff_code", "group_code", "list_date", "shown_stage", "shown_count")
"""Answers that the head of a record says already, or that the phone gave."""


def said(record: Sent) -> str:
    """The answers in one line, as `lost 2 (12 was sent), loss_cause frost`."""
    parts = []
    for name in dict.fromkeys([*record.answers, *record.sent]):
        text = record.answers.get(name, "")
        text = text if len(text) <= 60 else text[:57] + "..."
        if name in record.sent:
            sent = record.sent[name] or tr("nothing")
            parts.append(tr("{name} {text} ({sent} was sent)", name=name, text=text or tr("taken away"), sent=sent))
        elif name not in SAID_BEFORE:
            parts.append(f"{name} {text}".strip())
    return ", ".join(parts)


def _file_rows(store: Store, files: Sequence[SentFile], number: int) -> Iterator[Row]:
    """A row for each file, then one for each day on which they came in."""

    def row(asked: str, answer: str, file: str | None, stands_for: str) -> Row:
        about = {"asked": asked, "answer": answer, "file": file, "submission": stands_for}
        return Row({**about, "row key": row_key("", stands_for, "", "", number)}, "", CAME_IN_ON)

    decisions = {"withdraw": tr("withdraw"), "correct": tr("correct")}
    for file in files:
        said = marked("{submissions}; `{withdraw}` takes them all back, `{correct}` gives another day on which it came")
        told = tr(said, submissions=many(file.submissions, "submission"), **decisions)
        asked = tr("the whole file, which came in on {day}", day=file.received_on)
        yield row(asked, told, file.name, f"{OF_A_FILE}{file.sha256}")
    for day, files_of_day in store.rows(_OF_DAYS, [list({f.received_on for f in files})]):
        said = marked("{files}; `{correct}` gives another day on which they came")
        told = tr(said, files=many(files_of_day, "file"), **decisions)
        yield row(tr("all files that came in on {day}", day=day), told, None, f"{OF_A_DAY}{day}")


def _rows_of(record: Sent, form: Form | None, key: str, names: Mapping[str, str]) -> Iterator[Row]:
    """A row for the whole submission, then one for each answer that a person gave, or that has been corrected."""
    code = record.group_code
    heads = (record.form_id or None, shown(code) if len(code) == 8 else code or None, record.visit_date, record.staff_code)
    tells: dict[str, Any] = dict(zip(("form", "group", "date", "person"), heads, strict=True))
    tells |= {"state": tr(STATE_WORDS[record.state])} | dict(
        zip(BEHIND, (record.file, record.row, None, record.instance_id, key), strict=True)
    )
    whole = tr("replaced by {other}", other=record.replaced_by) if record.replaced_by else record.answers.get("")
    yield Row({**tells, "asked": tr("the whole submission"), "answer": whole}, record.form_id)
    if form is not None:
        for q in form.kept:
            if q.name in record.sent or (q.name in record.answers and q.type != "calculate"):
                text = record.answers.get(q.name, "")
                answer = {"answer": shown(text) if q.is_code and is_group_code(text) else text or None}
                answer |= {"asked": names.get(q.name, q.name), "sent": record.sent.get(q.name)}
                yield Row({**tells, **answer}, record.form_id, q.name)


def write_records(
    store: Store, path: Path, found: Found, is_of_files: bool, forms: dict[str, Form], lists: Choices
) -> tuple[int, int]:
    """Write the workbook, each file first where all of a file is wanted; returns the rows, and the submissions in them."""
    contents, number = contents_of(store, [r.instance_id for r in found.records]), last_number(store)
    rows: list[Row] = list(_file_rows(store, found.files, number)) if is_of_files else []
    taken, names = 0, {form_id: labels(forms, form_id) for form_id in {r.form_id for r in found.records}}
    for record in found.records:
        key = row_key(contents.get(record.instance_id, ""), record.instance_id, "", "", number)
        own = list(_rows_of(record, forms.get(record.form_id), key, names[record.form_id]))
        if len(rows) + len(own) > MOST_ROWS:
            break
        rows += own
        taken += 1
    write_sheet(path, SHEET, COLUMNS, rows, forms, lists)
    return len(rows), taken


def as_json(records: Sequence[Sent]) -> list[dict[str, Any]]:
    """The records as plain values; an empty text is none."""
    columns = ("instance_id", "form_id", "group_code", "visit_date", "staff_code", "state", "replaced_by", "received_at")
    return [
        {name: getattr(r, name) or None for name in columns}
        | {"file": r.file, "row": r.row, "answers": {k: v for k, v in r.answers.items() if k}, "sent": dict(r.sent)}
        | ({"unread": r.answers[""]} if "" in r.answers else {})
        for r in records
    ]
