"""Everything that a form says and decides, tried on the native engine; the cases come from the form's own sheet.

What cannot be taken from the sheet stands in scenarios/FORM.json, and in scenarios/_common.json for what all forms ask:

- `good`: the answers of the good path, in order, codes scanned; `record`: what its record must say besides.
- `states`: under "a b", what is answered otherwise than on the good path so that rows `a` and `b` are there, which were not;
  under "no a", so that `a` is not, which was. What is asked then besides is answered with the first answer that is let through.
- `limits`: answers to a question that its constraint lets through (`yes`) and refuses (`no`), where its limits are not plain
  numbers or choices.

`{brown}` is the code of a group of `nursery.GROUPS`, `{here}` that of the good path, `{wrong}` that with a wrong digit,
`{told}` the same group where the list shows its number; a hyphen, as in `{here-}`, writes a code with hyphens. `{today}` and
`{tomorrow}` are days.
"""

from __future__ import annotations

import csv
import datetime as dt
import re
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from formpack import expression
from formpack.answer_schema import split_constraint
from formpack.catalog import Form, Question
from tests.engine.nursery import GROUPS, TOLD, in_order, leaves, scenario, typed
from tests.engine.phone import Phone

_UNSEEN = ("calculate", "csv-external", "start", "end", "deviceid", "end_group")
_MESSAGES = {"label": 1, "hint": 2, "constraint_message": 3, "required_message": 4}


def lay_out(phone: Path, folder: Path) -> Path:
    """A copy of a phone's files, whose list of groups has each once more under another code, with its number shown."""
    shutil.copytree(phone, folder)
    path = folder / "groups.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    others = {GROUPS[name]: code for name, code in TOLD.items()}
    rows += [r | {"code": others[r["code"]], "facts": r["facts"].replace(" blind ", " shown ")} for r in rows]
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
    return folder


@dataclass
class Proof:
    """One form in one engine; `faults` are sentences, none where all is proved."""

    it: Phone
    form: Form
    path: Path
    faults: list[str] = field(default_factory=list)
    there: set[str] = field(default_factory=set)
    absent: set[str] = field(default_factory=set)
    told: set[tuple[str, str]] = field(default_factory=set)
    tried: set[tuple[str, str]] = field(default_factory=set)
    sent: list[str] = field(default_factory=list)
    """The finished record of each state."""

    def fault(self, said: str) -> None:
        self.faults.append(f"{self.form.form_id}: {said}")

    def run(self) -> list[str]:
        self.it.ask("FORM", str(self.path))
        today = dt.date.fromisoformat(self.it.ask("GET", "visit_date")[1])
        days = {"today": today, "tomorrow": today + dt.timedelta(days=1)}
        own, common = (scenario(self.form.form_id, file, **days) for file in ("", "_common"))
        names = {row.get("name", "") for row in self.form.rows}
        good, limits = own["good"], common["limits"] | own.get("limits", {})
        states: dict[str, dict[str, str]] = {}
        for key, change in {**common["states"], **own.get("states", {})}.items():
            if names >= set(key.removeprefix("no ").split()):
                states[key] = good | change
        before = self.state("the good path", good, limits)
        record = self.record()
        self.state("the good path, typed", typed(good), limits)
        for key, answers in states.items():
            now = self.state(key, answers, limits)
            self.back(key, answers, record)
            for name in key.removeprefix("no ").split():
                if (name in now, name in before) != (not key.startswith("no "), key.startswith("no ")):
                    self.fault(f"{key}: {name} is {'there' if name in now else 'not there'}, as on the good path or not at all")
        self.is_complete()
        return self.faults

    def state(self, key: str, answers: Mapping[str, str], limits: Mapping[str, Any]) -> set[str]:
        """Fill the form so, try what was not tried yet, end the form; gives the names of what was there."""
        self.it.ask("FORM", str(self.path))
        for name, text in in_order(self.form, answers).items():
            if (said := self.it.ask("SET", name, text))[0] not in ("OK", "ABSENT"):
                self.fault(f"{key}: {name} = {text} is refused: {said}")
        self.end(key, limits)
        rows = self.read(key)
        self.judge(key, rows)
        for q in self.form.questions:
            if q.name in rows:
                self.required(key, q)
                self.constraint(key, q, limits)
        self.end(key, limits)
        self.sent.append(self.it.ask("XML")[1])
        return rows

    def record(self) -> dict[str, str]:
        found = leaves(self.it.ask("XML")[1].encode())
        return {name: text for name, text in found.items() if name not in ("start", "end", "instanceID")}

    def back(self, key: str, answers: Mapping[str, str], record: Mapping[str, str]) -> None:
        """Who goes back and answers as on the good path ends with the record of the good path; nothing is left over."""
        for name in in_order(self.form, answers):
            self.it.ask("SET", name, record.get(name, ""))
        if (said := self.it.ask("VALIDATE")) != ["OK"] or self.record() != record:
            self.fault(f"{key}: the way back leaves {said}, {dict(self.record().items() ^ record.items())}")

    def end(self, key: str, limits: Mapping[str, Any]) -> None:
        """Answer what is still asked, each with the first answer that is let through, until the form can be ended."""
        for _ in self.form.questions:
            said = self.it.ask("VALIDATE")
            if said == ["OK"]:
                return
            q = self.form.question(said[1])
            if said[0] != "REQUIRED" or not any(self.it.ask("SET", q.name, text) == ["OK"] for text in self.legal(q, limits)):
                break
        self.fault(f"{key}: it cannot be ended: {said}")

    def legal(self, q: Question, limits: Mapping[str, Any]) -> list[str]:
        if q.type.startswith("select"):
            return self.it.ask("CHOICES", q.name)[1:]
        return [text for text, is_fine in self.edges(q, limits) if is_fine]

    def edges(self, q: Question, limits: Mapping[str, Any]) -> Iterator[tuple[str, bool]]:
        """Answers at each limit, and just beyond it."""
        if q.name in limits:
            yield from ((text, word == "yes") for word in ("yes", "no") for text in limits[q.name][word])
        elif q.type == "select_one" and q.constraint is not None:
            for code in self.form.codes(q.list_name):
                yield code, bool(expression.evaluate(q.constraint, {None: code}, dt.date.min))
        plain, rest = split_constraint(q)
        for word, limit in plain.items():
            step = (1 if q.type == "integer" else 0.1) * (1 if word == "maximum" else -1)
            assert word in ("minimum", "maximum"), f"{q.name}: write its limits with <= and >="
            if rest is None:
                yield f"{limit:g}", True
            yield f"{limit + step:g}", False

    def required(self, key: str, q: Question) -> None:
        if q.cells.get("required") != "yes" or (q.name, "required") in self.tried:
            return
        was = self.it.ask("GET", q.name)[1]
        if (said := self.it.ask("SET", q.name, "")) != ["REQUIRED"]:
            self.fault(f"{key}: {q.name} may be left blank: {said}")
        self.it.ask("SET", q.name, was)
        self.tried.add((q.name, "required"))

    def constraint(self, key: str, q: Question, limits: Mapping[str, Any]) -> None:
        """Each limit and what is just beyond; every refusal says what the sheet says, in each language."""
        if q.constraint is None or (q.name, "yes") in self.tried:
            return
        was = self.it.ask("GET", q.name)[1]
        for text, is_fine in self.edges(q, limits):
            for language in self.form.languages if not is_fine else self.form.languages[:1]:
                self.it.ask("LANGUAGE", language)
                wanted = ["OK"] if is_fine else ["CONSTRAINT", q.cells[f"constraint_message::{language}"]]
                if (said := self.it.ask("SET", q.name, text)) != wanted:
                    self.fault(f"{key}: {q.name} = {text}: {said} and not {wanted}")
            self.tried.add((q.name, "yes" if is_fine else "no"))
            if is_fine and q.type == "select_one" and self.it.ask("VALIDATE") != ["OK"]:
                self.fault(f"{key}: {q.name} = {text} is no way out: {self.it.ask('VALIDATE')}")
        self.it.ask("SET", q.name, was)

    def judge(self, key: str, rows: set[str]) -> None:
        """What is there is what the sheet says, as the office works it out from the record."""
        record: dict[str | None, Any] = {**leaves(self.it.ask("XML")[1].encode())}
        groups = [True]  # whether each group that is open now is there
        for row in self.form.rows:
            base, name, relevant = row["type"].split()[0], row.get("name", ""), row.get("relevant", "")
            if base == "end_group":
                groups.pop()
                continue
            is_true = not relevant or bool(expression.evaluate(expression.parse(relevant), record, dt.date.min))
            is_there = all(groups) and is_true
            if relevant and all(groups):
                (self.there if name in rows else self.absent).add(name)
            if base == "begin_group":
                groups.append(is_there)
            if base not in _UNSEEN and is_there != (name in rows):
                self.fault(f"{key}: {name} is {'not ' if is_there else ''}there, against its relevant {relevant or '(none)'}")

    def read(self, key: str) -> set[str]:
        """The names of all that is there; every text that was not read yet is held against the sheet, in each language."""
        rows = {row.get("name", ""): row for row in self.form.rows if row["type"] != "end_group"}
        for language in self.form.languages:
            self.it.ask("LANGUAGE", language)
            lines = [line.split("\x1f") for line in self.it.ask("THERE")[1:]]
            values = leaves(self.it.ask("XML")[1].encode())

            def put_in(found: re.Match[str], values: Mapping[str, str] = values) -> str:
                return values.get(found[1], "")

            for line in (line for line in lines if (line[0], language) not in self.told):
                name, choices = line[0], line[5].split("\x1e")[1:]
                for column, at in _MESSAGES.items():
                    sheet = rows[name].get(f"{column}::{language}", "")
                    wanted = re.sub(r"\$\{(\w+)\}", put_in, sheet)
                    if line[at].split() != wanted.split():
                        self.fault(f"{key}: {column} of {name} in {language} is {line[at]!r} and not {wanted!r}")
                if rows[name]["type"].startswith("select_one "):
                    offered = [c[f"label::{language}"] for c in self.form.choices[rows[name]["type"].split()[1]]]
                    if choices != offered:
                        self.fault(f"{key}: choices of {name} in {language} are {choices} and not {offered}")
                self.told.add((name, language))
        return {line[0] for line in lines}

    def is_complete(self) -> None:
        """Nothing in the sheet was left out: each condition seen on and off, each limit from both sides, each text read."""
        for row in self.form.rows:
            base, name = row["type"].split()[0], row.get("name", "")
            if row.get("relevant"):
                for word, seen in (("there", self.there), ("not there", self.absent)):
                    if name not in seen:
                        self.fault(f"no state has {name} {word}: put one into scenarios/{self.form.form_id}.json")
            if base in _UNSEEN:
                continue
            wanted = [(name, "required")] if row.get("required") == "yes" else []
            wanted += [(name, "yes"), (name, "no")] if row.get("constraint") else []
            for what in wanted:
                if what not in self.tried:
                    self.fault(
                        f"{what[0]} was never tried for {what[1]}: give its limits in scenarios/{self.form.form_id}.json"
                    )
            if any((name, language) not in self.told for language in self.form.languages):
                self.fault(f"the texts of {name} were never read")
