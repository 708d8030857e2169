"""Decides what came back in a list of problems or of records, row by row, against what is kept."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from formpack.catalog import Form
from formpack.readers import NearMiss, Unreadable, date, with_near_miss
from formpack.words import either, in_english, listed, many, marked, pack, tr, trn
from pipeline.findings import Rule, sentence
from pipeline.intake.corrections import Correction, add, all_corrections, in_force, overlay
from pipeline.intake.days import CAME_IN_ON, FILES, OF_A_DAY, OF_A_FILE
from pipeline.intake.validate import type_answers
from pipeline.store import Store
from pipeline.tables import labels

DECISIONS = (marked("accept as it is"), marked("correct"), marked("withdraw"), marked("leave"))
"""The decisions that can be written, as the program has them; a list has them in the language that it was written in."""
ACCEPT = DECISIONS[0]
_CONTENTS = "SELECT instance_id, heading, texts, twice FROM work.received WHERE instance_id IN (SELECT unnest(?))"
_OF_FILE = f"""
SELECT instance_id, min(name) FILTER (WHERE sha256 <> $1)
FROM work.received r JOIN {FILES} USING (sha256)
WHERE instance_id IN (SELECT instance_id FROM work.received WHERE sha256 = $1)
GROUP BY instance_id ORDER BY instance_id
"""


@dataclass(frozen=True)
class Decided:
    """One row of a list as it came back."""

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


_NO_REASON = marked("it has no reason; say why in a few words")
_CHANGED = marked("what it is about has changed since the list was made; write a new list and decide again")
_DONE_BEFORE = marked("was done before")
_ACCEPTED = marked("accepted as it is")
_SAYS_SO = marked("it says so already")
_NO_FILE = marked("there is no such file; write a new list and decide again")
_UNDONE = marked("undone; it had said: {reason}")


def _all_of(name: str) -> str:
    """What the reason of a record ends with that was made for all of a file, packed."""
    return pack(" (all of {file})", file=name)


def _ends_with(reason: str, packed: str) -> bool:
    """Whether a reason ends so: packed, or in words, as a former version kept it."""
    return reason.endswith((packed, in_english(packed)))


def _digest(*said: str) -> str:
    return hashlib.sha256("\n".join(said).encode("utf-8", "replace")).hexdigest()


def contents_of(store: Store, instance_ids: Collection[str]) -> dict[str, str]:
    """A mark of all that ever came in under each identity; corrections do not change it."""
    said: dict[str, set[str]] = {}
    names: dict[str, list[str]] = {}
    for instance_id, heading, texts, twice in store.rows(_CONTENTS, [list(instance_ids)]):
        if heading not in names:
            names[heading] = json.loads(heading)
        answers = sorted((n, t) for n, t in zip(names[heading], texts, strict=True) if t is not None)
        said.setdefault(instance_id, set()).add(json.dumps([answers, twice]))
    return {instance_id: _digest(*sorted(texts)) for instance_id, texts in said.items()}


def row_key(content: str, instance_id: str, rule: str, about: str, number: int) -> str:
    """What a row of a list was written from, in three parts: what came in and the rule; what the finding said (`about`); the
    number of the last correction that was there."""
    return f"{_digest(content, instance_id, rule)[:12]}-{_digest(about)[:6]}-{number}"


def last_number(store: Store) -> int:
    """The number of the last correction."""
    return int(store.value("SELECT coalesce(max(number), 0) FROM kept.corrections"))


class Desk:
    """Decides the rows of one list against the store, one submission at a time. `lists` holds codes by list, and what each
    means where it is known."""

    def __init__(
        self,
        store: Store,
        forms: dict[str, Form],
        lists: Mapping[str, Collection[str]],
        by: str,
        now: dt.datetime,
        today: dt.date = dt.date.max,
    ) -> None:
        self.store, self.forms, self.by, self.now, self.today = store, forms, by, now, today
        self.lists = {name: NearMiss(codes, codes if isinstance(codes, Mapping) else None) for name, codes in lists.items()}
        self.records = all_corrections(store)
        self.number = max([r.number for r in self.records], default=0)
        self.last = {r.subject: r for r in self.records}
        self.new: list[Correction] = []
        self.contents: dict[str, str] = {}
        self.states: dict[str, tuple[str, str]] = {}
        self.open: dict[tuple[str, str], list[str]] = {}
        self.of_submission: dict[str, list[Correction]] = {}
        for record in self.records:
            self.of_submission.setdefault(record.instance_id, []).append(record)

    def look_up(self, instance_ids: Collection[str]) -> None:
        """Fetch what is known of these submissions, where it has not been."""
        ids = [i for i in dict.fromkeys(instance_ids) if i not in self.contents]
        if not ids:
            return
        self.contents |= dict.fromkeys(ids, "") | contents_of(self.store, ids)
        for instance_id, state, by in self.store.rows(
            "SELECT instance_id, state, coalesce(superseded_by, '') FROM work.states WHERE instance_id IN (SELECT unnest(?))",
            [ids],
        ):
            self.states[instance_id] = state, by
        for instance_id, rule, about in self.store.rows(
            "SELECT instance_id, rule, concat(field, chr(10), value) FROM problems WHERE instance_id IN (SELECT unnest(?))",
            [ids],
        ):
            self.open.setdefault((instance_id, rule), []).append(about)

    def record(self, row: Decided, kind: str, old: str = "") -> Correction:
        """Add a record of what the row says."""
        self.number += 1
        field, new = (row.field, row.new_answer) if kind == "correct" else ("", "")
        rule = row.rule if kind == "accept" else ""
        made = Correction(self.number, self.now, self.by, row.instance_id, kind, field, old, new, rule, row.reason)
        self._add(made)
        return made

    def _add(self, made: Correction) -> None:
        self.new.append(made)
        self.last[made.subject] = made

    def in_force(self, row: Decided) -> Correction | None:
        """The record in force that says exactly what the row says."""
        kind = {ACCEPT: "accept", "withdraw": "withdraw", "correct": "correct"}.get(row.decision, "")
        what = {"correct": "answer", "withdraw": "whole"}.get(kind, kind)
        last = self.last.get((row.instance_id, what, {"accept": row.rule, "correct": row.field}.get(kind, "")))
        same = last is not None and last.kind == kind and (kind != "correct" or last.new_answer == row.new_answer)
        return last if same else None

    def fault(self, row: Decided) -> str:
        """Why the row by itself cannot be done; '' when it can."""
        if row.decision not in DECISIONS:
            return tr(
                "{given} is no decision; choose {decisions}", given=repr(row.decision), decisions=either(map(tr, DECISIONS))
            )
        if row.instance_id not in self.states:
            return tr("there is no submission {identity}", identity=repr(row.instance_id))
        if not row.reason:
            return tr(_NO_REASON)
        written, about, number = (*row.key.split("-"), "", "")[:3]
        now = row_key(self.contents[row.instance_id], row.instance_id, row.rule, "", 0)[:12]
        if written != now or not re.fullmatch(r"[0-9]{1,9}", number):
            return tr(_CHANGED)
        if row.decision == ACCEPT:
            return self._not_accepted(row, about)
        if row.decision == "correct":
            return self._not_corrected(row, int(number))
        return ""

    def _not_accepted(self, row: Decided, about: str) -> str:
        if row.rule not in Rule.__members__:
            said = marked(
                "a record is not accepted but corrected or withdrawn; what it is accepted for stands in the list of problems"
            )
            return tr(said)
        if not Rule[row.rule].may_be_accepted:
            return tr("this cannot be right as it is; correct it or withdraw the submission")
        if about not in {_digest(said)[:6] for said in self.open.get((row.instance_id, row.rule), [])}:
            return tr(_CHANGED)
        return ""

    def _not_corrected(self, row: Decided, number: int) -> str:
        state, by = self.states[row.instance_id]
        if state == "superseded":
            return tr("it was replaced by the edit {by}; correct that one", by=by)
        if (last := self.last.get((row.instance_id, "whole", ""))) and last.kind == "withdraw":
            return tr("it is withdrawn, so no answer of it counts; take that back first, with --undo")
        return self._not_last(row, number)

    def _not_last(self, row: Decided, number: int) -> str:
        subject = (row.instance_id, "answer", row.field)
        own = self.of_submission.get(row.instance_id, [])
        later = [r for r in own if r.number > number and r.subject == subject]
        if later and later[0].old_answer != later[-1].new_answer:
            said = marked("{field} has been corrected to {new} since the list was made; write a new list and decide again")
            return tr(said, field=row.field, new=later[-1].new_answer or tr("nothing"))
        return ""

    def decide(self, rows: list[Decided]) -> list[Verdict]:
        """The verdicts on all rows about one submission; answers are looked at together, and a bad one stops its row only."""
        if rows[0].instance_id.startswith((OF_A_FILE, OF_A_DAY)):
            return [self._decide_files(row) for row in rows]
        self.look_up([rows[0].instance_id])
        verdicts, corrections = [], []
        for row in rows:
            before = self.in_force(row) if row.decision in DECISIONS else None
            if before is not None:
                says = marked("was done with another row of the same submission") if before in self.new else _DONE_BEFORE
                verdicts.append(Verdict(row.row, "already", tr(says)))
            elif fault := self.fault(row):
                verdicts.append(Verdict(row.row, "refused", fault))
            elif row.decision == "correct":
                corrections.append(row)
            else:
                self.record(row, "accept" if row.decision == ACCEPT else "withdraw")
                verdicts.append(Verdict(row.row, "done", tr(_ACCEPTED) if row.decision == ACCEPT else tr("withdrawn")))
        return verdicts + (list(self._correct(corrections)) if corrections else [])

    def _correct(self, rows: list[Decided]) -> Iterator[Verdict]:
        instance_id = rows[0].instance_id
        hint, answers, twice, today = self.store.rows(
            "SELECT c.form_id, map_from_entries(list_zip(r.heading::JSON::VARCHAR[], r.texts)), r.twice, c.received_on"
            " FROM work.current c JOIN work.received r USING (reading_id) JOIN kept.raw_files f USING (sha256)"
            " WHERE c.instance_id = ? ORDER BY f.received_at, r.sha256, r.item LIMIT 1",
            [instance_id],
        )[0]
        answers = {name: text for name, text in answers.items() if text is not None}
        form = self.forms.get(hint)
        if form is None:
            why = tr("its form is not in the pack, so no answer can be corrected")
            yield from (Verdict(r.row, "refused", why) for r in rows)
            return
        before = overlay(answers, in_force(self.of_submission.get(instance_id, [])).answers.get(instance_id, {}))
        names = {q.name for q in form.kept}
        given: dict[str, set[str]] = {}
        for row in rows:
            given.setdefault(row.field, set()).add(row.new_answer)
        left = []
        for row in rows:
            if row.field not in names:
                near = with_near_miss(repr(row.field), NearMiss(names).of(row.field))
                yield Verdict(row.row, "refused", tr("the form {form} asks no {question}", form=form.form_id, question=near))
            elif len(given[row.field]) > 1:
                yield Verdict(row.row, "refused", tr("two rows give the same question different answers"))
            elif row.new_answer == before.get(row.field, "") and row.field not in twice.split():
                yield Verdict(row.row, "already", tr(_SAYS_SO))
            else:
                left.append(row)
        while left:
            said = {r.field: r.new_answer for r in left}
            faults = self._faults_of(form, overlay(before, said), set(said), twice, today)
            if not faults:
                break
            yield from (Verdict(r.row, "refused", faults[r.field]) for r in left if r.field in faults)
            left = [r for r in left if r.field not in faults]
        done: set[str] = set()
        for row in left:
            if row.field not in done:
                self.record(row, "correct", before.get(row.field, ""))
                done.add(row.field)
            now = row.new_answer or tr("without an answer")
            yield Verdict(row.row, "done", tr("{field} is now {new}", field=row.field, new=now))

    def _faults_of(self, form: Form, answers: dict[str, str], given: set[str], twice: str, today: dt.date) -> dict[str, str]:
        """What the corrected answers are found to be where they were corrected, by question; the first finding of each."""
        from formpack.answer_schema import answer_validator
        from pipeline.tables import what_is_allowed

        unsettled = [n for n in twice.split() if n not in given]
        typed, found = type_answers(form, answers, unsettled, answer_validator(form, today))
        faults: dict[str, str] = {}
        for finding in found:
            if finding.field in given:
                more = what_is_allowed(form, self.lists, finding)
                faults.setdefault(finding.field, sentence(more, labels(self.forms, form.form_id)).rstrip("."))
        for name in given - set(faults):
            q = form.question(name)
            if q.type == "select_one_from_file" and name in typed:
                known = self.lists.get(q.list_name, NearMiss(()))
                if typed[name] not in known.codes:
                    near = with_near_miss(q.list_name, known.of(str(typed[name])))
                    said = marked("{label}: {value} is not in the list {list}")
                    faults[name] = tr(said, label=q.label_spoken, value=str(typed[name]), list=near)
        return faults

    def _decide_files(self, row: Decided) -> Verdict:
        """What is decided of a whole file, or of all files that came in on one day."""
        is_file = row.instance_id.startswith(OF_A_FILE)
        written, about, number = (*row.key.split("-"), "", "")[:3]
        if before := self.in_force(row) if row.decision in DECISIONS else None:
            says = marked("was done with another row") if before in self.new else _DONE_BEFORE
            return Verdict(row.row, "already", tr(says))
        if not row.reason:
            return Verdict(row.row, "refused", tr(_NO_REASON))
        if written != row_key("", row.instance_id, row.rule, "", 0)[:12] or not number.isdigit():
            none = _NO_FILE if is_file else marked("there is no such day; write a new list and decide again")
            return Verdict(row.row, "refused", tr(none))
        if row.decision == "correct":
            return self._correct_day(row, int(number))
        if row.decision == "withdraw" and is_file:
            return self._withdraw_file(row)
        if row.decision == ACCEPT and not is_file:
            if fault := self._not_accepted(row, about):
                return Verdict(row.row, "refused", fault)
            self.record(row, "accept")
            return Verdict(row.row, "done", tr(_ACCEPTED))
        can = marked("a day of import can be accepted as it is, or the day corrected, and nothing else")
        if is_file:
            can = marked("a whole file can be withdrawn, or the day corrected, and nothing else")
        return Verdict(row.row, "refused", tr(can))

    def _came_in(self, row: Decided) -> list[tuple[str, str]]:
        """The file meant, or all that came in on the day meant: the submission's stand-in of each, and the day as it is now."""
        kept = self.store.rows(
            "SELECT concat($1, sha256), received_on::VARCHAR FROM kept.raw_files ORDER BY sha256", [OF_A_FILE]
        )
        days = [(i, r.new_answer if (r := self.last.get((i, "answer", CAME_IN_ON))) else day) for i, day in kept]
        return [(i, day) for i, day in days if row.instance_id in (i, f"{OF_A_DAY}{day}")]

    def _correct_day(self, row: Decided, number: int) -> Verdict:
        """Say of a file, or of all that came in on one day, that they came in on another, each with a record of its own."""
        day = date(row.new_answer)
        if row.field != CAME_IN_ON:
            said = tr("of a file the day is corrected, with {field} for the question", field=CAME_IN_ON)
            return Verdict(row.row, "refused", said)
        if isinstance(day, Unreadable):
            said = tr("{answer} {why}", answer=row.new_answer or tr("nothing"), why=day.why)
            return Verdict(row.row, "refused", said)
        if day > self.today:
            said = tr("{day} has not come yet; today is {today}", day=day, today=self.today)
            return Verdict(row.row, "refused", said)
        if fault := self._not_last(row, number):
            return Verdict(row.row, "refused", fault)
        files = self._came_in(row)
        if not files:
            if self._days_corrected(row):
                return Verdict(row.row, "already", tr(_DONE_BEFORE))
            return Verdict(row.row, "refused", tr(_NO_FILE))
        left = [(i, before) for i, before in files if before != row.new_answer]
        for instance_id, before in left:
            self.record(replace(row, instance_id=instance_id, reason=f"{row.reason}{self._of_day(row)}"), "correct", before)
        if not left:
            return Verdict(row.row, "already", tr(_SAYS_SO))
        said = trn(
            "{n} file came in on {day} now, not on {before}",
            "{n} files came in on {day} now, not on {before}",
            len(left),
            day=day,
            before=dt.date.fromisoformat(left[0][1]),
        )
        return Verdict(row.row, "done", said)

    def _of_day(self, row: Decided) -> str:
        """What the reason of a record ends with that was made for all files of a day."""
        day = row.instance_id.removeprefix(OF_A_DAY)
        return "" if day == row.instance_id else pack(" (all that came in on {day})", day=day)

    def _days_corrected(self, row: Decided) -> list[Correction]:
        """The records in force that the row of a day has made."""
        made = [
            r for r in self.last.values() if r.kind == "correct" and r.field == CAME_IN_ON and r.new_answer == row.new_answer
        ]
        return [r for r in made if r.instance_id.startswith(OF_A_FILE) and _ends_with(r.reason, self._of_day(row))]

    def _withdraw_file(self, row: Decided) -> Verdict:
        """Withdraw all that came in one file alone, each with a record of its own."""
        name, alone, others = self._of_file(row)
        if not name:
            return Verdict(row.row, "refused", tr(_NO_FILE))
        left = [i for i in alone if getattr(self.last.get((i, "whole", "")), "kind", "") != "withdraw"]
        for instance_id in left:
            self.record(replace(row, instance_id=instance_id, reason=f"{row.reason}{_all_of(name)}"), "withdraw")
        said = trn("{n} submission of {file} withdrawn", "{n} submissions of {file} withdrawn", len(left), file=name)
        if not left:
            said = tr("nothing is left to withdraw") if others else tr(_DONE_BEFORE)
        if others:
            elsewhere = sorted(set(others.values()))
            said = trn(
                "{said}; {n} that also came in {file} stays",
                "{said}; {n} that also came in {file} stay",
                len(others),
                said=said,
                file=listed([elsewhere[0], *([many(len(elsewhere) - 1, "other file")] if elsewhere[1:] else [])]),
            )
        return Verdict(row.row, "done" if left else "already", said)

    def _of_file(self, row: Decided) -> tuple[str, list[str], dict[str, str]]:
        """The file's name, the submissions that came in no other, and those that did with the name of another."""
        sha = row.instance_id.removeprefix(OF_A_FILE)
        name = self.store.value(f"SELECT coalesce(min(name), '') FROM {FILES} WHERE sha256 = ?", [sha])
        rows = self.store.rows(_OF_FILE, [sha])
        return name, [i for i, other in rows if other is None], {i: other for i, other in rows if other is not None}

    def undo(self, rows: list[Decided]) -> list[Verdict]:
        """Add the opposite of what the rows did."""
        return [self._undo(row) for row in rows]

    def _undo(self, row: Decided) -> Verdict:
        is_file, is_day = row.instance_id.startswith(OF_A_FILE), row.instance_id.startswith(OF_A_DAY)
        if is_file and row.decision == "withdraw":
            name, alone, others = self._of_file(row)
            last = [self.last.get((i, "whole", "")) for i in [*alone, *others]]
            done = [r for r in last if r is not None and r.kind == "withdraw" and _ends_with(r.reason, _all_of(name))]
        elif is_day and row.decision == "correct":
            done = self._days_corrected(row)
        else:
            one = self.in_force(row)
            done = [] if one is None else [one]
        for record in done:
            self.number += 1
            self._add(record.opposite(self.number, self.now, self.by, pack(_UNDONE, reason=record.reason)))
        if not done:
            return Verdict(row.row, "already", tr("is not in force, so there is nothing to undo"))
        what = "submission" if row.decision == "withdraw" else "file"
        if (is_file or is_day) and row.decision != ACCEPT:
            return Verdict(row.row, "done", tr("undone for {what}", what=many(len(done), what)))
        return Verdict(row.row, "done", tr("undone"))


def decide_list(desk: Desk, rows: Iterable[Decided], undo: bool) -> list[Verdict]:
    """The verdict on every row, in order of rows; what is done is appended to the corrections."""
    by_submission: dict[str, list[Decided]] = {}
    for row in rows:
        by_submission.setdefault(row.instance_id, []).append(row)
    desk.look_up([i for i in by_submission if not i.startswith(OF_A_FILE)])
    verdicts = [v for same in by_submission.values() for v in (desk.undo(same) if undo else desk.decide(same))]
    add(desk.store, desk.new)
    return sorted(verdicts, key=lambda v: v.row)
