"""Received items -> typed readings, and every finding that one submission gives by itself.

Three gates, one sentence: the strict readers and the form's JSON Schema at the door, the pandera schema over
the frame of a form, and the form's own rules again in SQL over everything that is kept.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from jsonschema.protocols import Validator

from formpack import expression
from formpack.answer_schema import answer_validator
from formpack.catalog import Form, Question
from formpack.readers import READERS, Unreadable, Value
from pipeline.findings import Finding
from pipeline.intake.corrections import all_corrections, in_force, overlay
from pipeline.intake.ingest import Progress
from pipeline.store import Store

_SCHEMA_RULES = {"required": "missing_answer", "enum": "not_in_list", "relevant": "not_asked"}
Typed = tuple[dict[str, Value], list[Finding]]


def fingerprint(forms: dict[str, Form]) -> str:
    """Changes when any form asks, checks or books anything differently."""
    said = [[f.form_id, f.version, f.stage, list(f.rows), dict(f.choices)] for f in forms.values()]
    return hashlib.sha256(json.dumps(said, sort_keys=True, default=list).encode()).hexdigest()


def match_form(hint: str, forms: dict[str, Form]) -> Form | None:
    """The form that an id or a file's stem means: `bud_take`, `bud_take-2026-11-02`."""
    if hint in forms:
        return forms[hint]
    for form_id in sorted(forms, key=len, reverse=True):
        if re.match(rf"{form_id}([^a-z]|$)", hint.lower()):
            return forms[form_id]
    return None


def type_answers(form: Form, answers: dict[str, str], twice: Iterable[str], validator: Validator) -> Typed:
    """The typed answers of one submission, and what readers and JSON Schema find (instance left blank)."""
    typed: dict[str, Value] = {}
    findings: list[Finding] = [Finding("", "answered_twice", n) for n in twice if n in {q.name for q in form.kept}]
    bad = {f.field for f in findings}
    for q in form.kept:
        text = answers.get(q.name)
        if text is None or q.name in bad:
            continue
        value = READERS[q.value_type](text)
        if isinstance(value, Unreadable):
            if not q.is_metadata:
                findings.append(Finding("", value.rule, q.name, text, value.why))
                bad.add(q.name)
        else:
            typed[q.name] = value
    plain = {k: v.isoformat() if isinstance(v, dt.date) else v for k, v in typed.items()}
    for error in validator.iter_errors(plain):
        rule = _SCHEMA_RULES.get(str(error.validator), "impossible_value")
        named = re.match(r"'(\w+)' is a required", error.message) if error.validator == "required" else None
        name = named[1] if named else str(error.path[0])
        if name not in bad:
            findings.append(_finding("", form.question(name), rule, str(plain.get(name, ""))))
    return typed, _without_echoes(form, findings)


def _finding(instance_id: str, q: Question, rule: str, value: str) -> Finding:
    message = q.cells.get("constraint_message::English (en)", "") if rule == "impossible_value" else ""
    return Finding(instance_id, rule, q.name, value, q.list_name if rule == "not_in_list" else message)


def _without_echoes(form: Form, findings: list[Finding]) -> list[Finding]:
    """A sum that cannot be right because one of its numbers is missing or unreadable is no finding of its own."""
    bad = {f.field for f in findings if f.rule in ("missing_answer", "wrong_type", "answered_twice", "bad_code")}
    if not bad:
        return findings

    def speaks_of(q: Question, seen: frozenset[str] = frozenset()) -> set[str]:
        trees = [t for t in (q.constraint, q.relevant, q.calculation) if t is not None]
        names = {n.name for t in trees for n in expression.walk(t) if isinstance(n, expression.Answer) and n.name}
        inner = [form.question(n) for n in names - seen]
        return names.union(*(speaks_of(x, seen | names) for x in inner if x.calculation is not None))

    return [f for f in findings if f.rule != "impossible_value" or not bad & speaks_of(form.question(f.field))]


def _canonical(form: Form, typed: dict[str, Value], answers: dict[str, str]) -> str:
    """What the submission says, alike for every container it may come in; metadata left out."""
    said = {q.name: str(typed.get(q.name, answers[q.name])) for q in form.kept if q.name in answers and not q.is_metadata}
    return json.dumps([form.form_id, said], ensure_ascii=False, sort_keys=True)


def read_answers(store: Store, forms: dict[str, Form], progress: Progress) -> None:
    """Turn every received item that has no reading yet into one: a typed row in its form's table, and findings."""
    if store.get("forms") != fingerprint(forms):
        store.connection.execute(
            "UPDATE work.received SET reading_id = NULL; DELETE FROM work.readings; DELETE FROM work.reading_findings"
        )
        for (table,) in store.rows("SELECT table_name FROM information_schema.tables WHERE table_schema = 'answers'"):
            store.connection.execute(f'DROP TABLE answers."{table}"')
        store.put("forms", fingerprint(forms))
    for form in forms.values():
        columns = "".join(f', "{q.name}" {q.sql_type}' for q in form.kept)
        store.connection.execute(f'CREATE TABLE IF NOT EXISTS answers."{form.form_id}" (reading_id VARCHAR{columns})')
    pending = store.rows(
        "SELECT sha256, item, place, form_hint, r.form_version, instance_id, deprecated_id, answers, twice, rule, why,"
        " received_on FROM work.received r JOIN kept.raw_files USING (sha256) WHERE reading_id IS NULL"
        " ORDER BY received_on, sha256, item"
    )
    known = {i for (i,) in store.rows("SELECT reading_id FROM work.readings")}
    batch = _Batch(in_force(all_corrections(store)).answers)
    for number, row in enumerate(pending, start=1):
        progress("checking", number, len(pending))
        batch.take(forms, row, known)
    batch.write(store, forms)


class _Batch:
    """The readings of one run, gathered so that each table is written once."""

    def __init__(self, corrected: Mapping[str, Mapping[str, str]]) -> None:
        self.corrected = corrected
        self.names: list[tuple[str, str, int]] = []
        self.readings: list[tuple[Any, ...]] = []
        self.findings: set[tuple[str, str, str, str, str]] = set()
        self.typed: dict[str, list[tuple[str, dict[str, Any]]]] = {}
        self.validators: dict[tuple[str, dt.date], Validator] = {}

    def validator(self, form: Form, today: dt.date) -> Validator:
        key = form.form_id, today
        if key not in self.validators:
            self.validators[key] = answer_validator(form, today)
        return self.validators[key]

    def take(self, forms: dict[str, Form], row: tuple[Any, ...], known: set[str]) -> None:
        sha, item, place, hint, version, instance_id, deprecated, answers, twice, rule, why, today = row
        form = None if rule else match_form(hint, forms)
        corrected = self.corrected.get(instance_id, {})
        texts = overlay(json.loads(answers), corrected)
        unsettled = [name for name in twice.split() if name not in corrected]
        typed, found = type_answers(form, texts, unsettled, self.validator(form, today)) if form else ({}, [])
        if rule:
            found = [Finding("", rule, "", place, why)]
        elif form is None:
            found = [Finding("", "unknown_form", "", hint)]
        else:
            if version and version != form.version:
                found.append(Finding("", "unknown_version", "", version))
            if instance_id.startswith("row:") and not re.search(r", (row|item|line) \d+$", place):
                found.append(Finding("", "no_identity"))
        form_id = form.form_id if form else hint
        canonical = _canonical(form, typed, texts) if form else json.dumps([hint, texts], sort_keys=True) + why
        reading_id = hashlib.sha256(f"{instance_id}\n{deprecated}\n{canonical}".encode()).hexdigest()[:32]
        self.names.append((reading_id, sha, item))
        if reading_id in known:
            return
        known.add(reading_id)
        day = typed.get("visit_date")
        self.readings.append((reading_id, instance_id, form_id, version, deprecated, canonical, typed.get("group_code"),
                              day if isinstance(day, dt.date) else None, typed.get("staff_code"),
                              str(typed.get("end", "")) or None))  # fmt: skip
        self.findings |= {(reading_id, f.rule, f.field, f.value, f.detail) for f in found}
        if form:
            self.typed.setdefault(form_id, []).append((reading_id, {**typed, "received_on": today}))

    def write(self, store: Store, forms: dict[str, Form]) -> None:
        from pipeline.intake.frame_schema import answer_frame, frame_failures

        for form_id, rows in self.typed.items():
            form = forms[form_id]
            already = {(r, f) for r, _, f, _, _ in self.findings}
            for at, rule, name in frame_failures(form, answer_frame(form, [typed for _, typed in rows])):
                reading_id, typed = rows[at]
                if (reading_id, name) not in already and not _is_echo(form, self.findings, reading_id, name, rule):
                    f = _finding("", form.question(name), rule, str(typed.get(name, "")))
                    self.findings.add((reading_id, f.rule, f.field, f.value, f.detail))
            columns = ["reading_id", *(q.name for q in form.kept)]
            values = [(reading_id, *(typed.get(c) for c in columns[1:])) for reading_id, typed in rows]
            store.insert(f'answers."{form_id}"', columns, values)
        store.insert("work.readings", ("reading_id", "instance_id", "form_id", "form_version", "deprecated_id",
                     "canonical", "group_code", "visit_date", "staff_code", "ended"), self.readings)  # fmt: skip
        store.insert("work.reading_findings", ("reading_id", "rule", "field", "value", "detail"), sorted(self.findings))
        store.connection.execute("CREATE OR REPLACE TEMP TABLE named (reading_id VARCHAR, sha256 VARCHAR, item INTEGER)")
        store.insert("main.named", ("reading_id", "sha256", "item"), self.names)
        store.connection.execute(
            "UPDATE work.received r SET reading_id = n.reading_id FROM named n WHERE r.sha256 = n.sha256 AND r.item = n.item"
        )


def _is_echo(form: Form, findings: set[tuple[str, str, str, str, str]], reading_id: str, name: str, rule: str) -> bool:
    mine = [Finding("", r, f, v, d) for i, r, f, v, d in findings if i == reading_id]
    new = Finding("", rule, name)
    return new not in _without_echoes(form, [*mine, new])


def rules_sql(form: Form) -> str:
    """One query over a form's table: (reading_id, rule, field, value) of every rule of the sheet that is broken."""
    cases = []
    for q in form.kept:
        column = f'a."{q.name}"'
        scope = {k: (f"a.{v[0]}", v[1]) if isinstance(v, tuple) else v for k, v in form.scope(q).items()}
        asked = "true" if q.relevant is None else expression.to_sql(q.relevant, scope)[0]
        tests = []
        if q.required:
            tests.append(("missing_answer", f"{column} IS NULL AND {asked}"))
        if q.relevant is not None:
            tests.append(("not_asked", f"{column} IS NOT NULL AND NOT {asked}"))
        if q.constraint is not None:
            fits = expression.to_sql(q.constraint, scope)[0]
            tests.append(("impossible_value", f"{column} IS NOT NULL AND {asked} AND NOT {fits}"))
        if q.type == "select_one":
            codes = ", ".join(f"'{c}'" for c in form.codes(q.list_name))
            tests.append(("not_in_list", f"{column} NOT IN ({codes})"))
        if q.type == "select_one_from_file":
            tests.append(
                ("not_in_list", f'{column} IS NOT NULL AND {column} NOT IN (SELECT code FROM work."list_{q.list_name}")')
            )
        cases += [
            f"CASE WHEN {test} THEN {{'rule': '{rule}', 'field': '{q.name}', 'value': coalesce({column}::VARCHAR, '')}} END"
            for rule, test in tests
        ]
    return (
        f"SELECT reading_id, broken.rule, broken.field, broken.value FROM (SELECT a.reading_id, unnest([{', '.join(cases)}])"
        f' AS broken FROM answers."{form.form_id}" a JOIN work.current USING (reading_id)) WHERE broken IS NOT NULL'
    )


def judge_rules(store: Store, forms: dict[str, Form]) -> list[Finding]:
    """Everything that submissions give by themselves: what reading found, and the forms' rules again in SQL."""
    found = [
        Finding(*row)
        for row in store.rows(
            "SELECT instance_id, rule, field, f.value, detail FROM work.reading_findings f JOIN work.current USING (reading_id)"
        )
    ]
    bad = {(f.instance_id, f.field) for f in found}
    by_instance: dict[str, list[Finding]] = {}
    for finding in found:
        by_instance.setdefault(finding.instance_id, []).append(finding)
    instances = dict(store.rows("SELECT reading_id, instance_id FROM work.current"))
    present = {f for (f,) in store.rows("SELECT DISTINCT form_id FROM work.current")}
    for form in (f for f in forms.values() if f.form_id in present):
        for reading_id, rule, name, value in store.rows(rules_sql(form)):
            instance_id = instances[reading_id]
            if (instance_id, name) in bad:
                continue
            new = _finding(instance_id, form.question(name), rule, value)
            by_instance.setdefault(instance_id, []).append(new)
            if new in _without_echoes(form, by_instance[instance_id]):
                found.append(new)
    return found
