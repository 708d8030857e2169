"""The life of one submission: what it said, what was decided about it, the states it went through."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from formpack.catalog import Form, Question, text_in
from formpack.group_code import is_group_code, shown
from formpack.words import day, listed, marked, number, tr
from pipeline.findings import Refused
from pipeline.intake.corrections import Correction, all_corrections
from pipeline.intake.days import FILES, OF_A_FILE
from pipeline.intake.states import STATE_WORDS
from pipeline.store import Store
from pipeline.tables import labels, names_of

LISTS = ("staff", "teams", "locations", "rootstocks", "scions", "seed_lots", "budwood_batches", "orders")
TABLES = ("submissions", *(f"list_{name}" for name in LISTS))
"""The tables that `history_of` reads."""
_BY_CODE = ("staff", "teams", "seed_lots", "budwood_batches", "orders")
"""Lists whose codes people speak in: their names stand behind the codes."""

_ANSWERS = """
SELECT map_from_entries(list_zip(heading::JSON::VARCHAR[], texts))
FROM work.received
JOIN kept.raw_files USING (sha256)
WHERE instance_id = ?
ORDER BY received_at, sha256
"""


_SAID = {
    "correct": marked("{field} corrected from {old} to {new} by {person}: {reason}"),
    "uncorrect": marked("undone: {field} is {new} again, not {old}, by {person}: {reason}"),
    "accept": marked("the finding {rule} accepted as it is by {person}: {reason}"),
    "unaccept": marked("undone: the finding {rule} is no longer accepted, by {person}: {reason}"),
    "withdraw": marked("withdrawn by {person}: {reason}"),
    "restore": marked("undone: it is no longer withdrawn, by {person}: {reason}"),
}
"""What each kind of record did."""


def _of(record: Correction, said: str, **values: str) -> str:
    return tr(said, person=record.made_by, reason=record.reason, **values)


def said_of(record: Correction, names: Mapping[str, str] | None = None) -> str:
    """What a record about one submission did, in a sentence. `names` are what questions are called where not by their name."""
    nothing, field = tr("nothing"), (names or {}).get(record.field, record.field)
    old, new = (shown(a) if is_group_code(a) else a or nothing for a in (record.old_answer, record.new_answer))
    values = {"field": field, "rule": record.rule, "old": old, "new": new}
    return _of(record, _SAID[record.kind], **values)


def coded(names: Mapping[str, Mapping[str, str]], of: str, code: str | None) -> str:
    """What a code of a list is said as: `L2504-C35 (C35 2025-04)` where people speak in codes, else its name; '' for none."""
    name = names.get(of, {}).get(code or "", code or "")
    return name if of not in _BY_CODE or not code or name.startswith(code) else f"{code} ({name})"


def _said(text: str, q: Question, form: Form, names: Mapping[str, Mapping[str, str]]) -> str:
    """An answer as people say it; as it was typed where it cannot be read."""
    if q.is_code:
        return shown(text) if is_group_code(text) else text
    if q.value_type == "integer" and text.isascii() and text.isdecimal() and len(text) < 16:
        return number(int(text))
    if q.value_type == "date":
        try:
            return day(dt.date.fromisoformat(text))
        except ValueError:
            return text
    choices = {row["name"]: text_in(row, "label") or row["name"] for row in form.choices.get(q.list_name, ())}
    chosen = text.split() if q.type == "select_multiple" else [text]
    return listed(choices[c] if c in choices else coded(names, q.list_name, c) for c in chosen)


def in_words(
    answers: Mapping[str, str], form: Form | None, asked: Mapping[str, str], names: Mapping[str, Mapping[str, str]]
) -> Iterable[tuple[str, str, str]]:
    """(name, question, answer) of what a person was asked and answered, in the words of the form; what phones worked out is
    left out. What the form does not have is told as it came, cut where it is long."""
    known = {q.name: q for q in form.questions} if form else {}
    for name, text in answers.items():
        q = known.get(name)
        if q is None or form is None:
            if text:
                yield name, name, text if len(text) < 80 else text[:77] + "..."
        elif text and name in asked and (q.type != "calculate" or q.is_code):
            yield name, asked[name].strip(" ?¿.:"), _said(text, q, form, names)


def beginning_with(store: Store, submission: str) -> list[tuple[Any, ...]]:
    """(identity, form, when it came, place) of the submissions that may be meant: the one of that identity first."""
    return store.rows(
        "SELECT instance_id, form_id, received_at, source FROM submissions WHERE instance_id = $1"
        " OR starts_with(instance_id, $1) OR starts_with(instance_id, 'uuid:' || $1) ORDER BY instance_id <> $1, instance_id",
        [submission],
    )


def history_of(store: Store, submission: str, forms: Mapping[str, Form]) -> dict[str, Any]:
    """Answers as they came and `said` in words, and events in order of time, by the clock of the computer. Raises Refused
    unless exactly one submission is meant."""
    found = beginning_with(store, submission)
    if not found or (len(found) > 1 and found[0][0] != submission):
        many = marked("Several submissions ({n}) begin with {given}; give more of it.")
        said = tr(many if found else marked("No submission is {given}."), n=len(found), given=repr(submission))
        raise Refused(" ".join((said, tr("`formpack problems` and the table submissions name them."))))
    instance_id, form_id, received_at, source = found[0]
    answers = {k: v for k, v in store.value(_ANSWERS, [instance_id]).items() if v is not None}
    asked, names = labels(forms, form_id), {of: names_of(store, of) for of in LISTS}
    events = [
        (at, 1, tr("became {state}", state=tr(STATE_WORDS.get(state, state))))
        for at, state in store.rows(
            "SELECT changed_at, state FROM kept.state_changes WHERE instance_id = ? ORDER BY rowid", [instance_id]
        )
    ]
    came = "SELECT DISTINCT f.sha256, f.name, f.received_on FROM work.received JOIN {} f USING (sha256) WHERE instance_id = ?"
    files = {f"{OF_A_FILE}{sha}": (name, day) for sha, name, day in store.rows(came.format(FILES), [instance_id])}
    for r in all_corrections(store):
        if r.instance_id in files:
            said = marked("{file} came in on {new}, not {old}, by {person}: {reason}")
            if r.kind == "uncorrect":
                said = marked("{file} came in on {new} again, not {old}, by {person}: {reason}")
            events.append((r.made_at, 0, _of(r, said, file=files[r.instance_id][0], new=r.new_answer, old=r.old_answer)))
        elif r.instance_id == instance_id:
            events.append((r.made_at, 0, said_of(r, asked)))
    return {
        "instance_id": instance_id,
        "form_id": form_id,
        "received_at": received_at,
        "received_on": min(day for _, day in files.values()),
        "source": source,
        "answers": answers,
        "said": [(question, text) for _, question, text in in_words(answers, forms.get(form_id), asked, names)],
        "events": [(at, what) for at, _, what in sorted(events, key=lambda e: e[:2])],
    }
