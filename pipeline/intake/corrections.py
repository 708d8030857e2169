"""What a person decides about a submission: append-only records, laid over what came in and never written into it.

A record is one of three kinds, each with its opposite: `correct` (another answer to one question) / `uncorrect` (the answer
before it again), `accept` / `unaccept` (a finding is right as it is), `withdraw` / `restore`. What holds is the last record
for a submission and question, or rule, or as a whole.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from pipeline.store import Store

_COLUMNS = ("number", "made_at", "made_by", "instance_id", "kind", "field", "old_answer", "new_answer", "rule", "reason")
KINDS = ("correct", "uncorrect", "accept", "unaccept", "withdraw", "restore")
OF_ANSWERS = ("correct", "uncorrect")
"""Kinds after which a submission is read again."""
_OPPOSITE = {"correct": "uncorrect", "accept": "unaccept", "withdraw": "restore"}


@dataclass(frozen=True)
class Correction:
    """One record. `old_answer` and `new_answer` are texts as they would come from a phone; '' is no answer."""

    number: int
    made_at: dt.datetime
    made_by: str
    instance_id: str
    kind: str
    field: str
    old_answer: str
    new_answer: str
    rule: str
    reason: str

    @property
    def subject(self) -> tuple[str, str, str]:
        """What the record is about: a later record about the same takes its place."""
        about = {"accept": "accept", "unaccept": "accept", "withdraw": "whole", "restore": "whole"}
        return self.instance_id, about.get(self.kind, "answer"), self.rule if "accept" in self.kind else self.field

    def opposite(self, number: int, made_at: dt.datetime, made_by: str, reason: str) -> Correction:
        """The record that undoes this one."""
        return replace(
            self,
            number=number,
            made_at=made_at,
            made_by=made_by,
            reason=reason,
            kind=_OPPOSITE[self.kind],
            old_answer=self.new_answer,
            new_answer=self.old_answer,
        )


def all_corrections(store: Store) -> list[Correction]:
    """Every record ever made, in order."""
    return [Correction(*row) for row in store.rows(f"SELECT {', '.join(_COLUMNS)} FROM kept.corrections ORDER BY number")]


@dataclass(frozen=True)
class InForce:
    """What holds now: answers by submission and question, what is withdrawn, which findings are accepted."""

    answers: Mapping[str, Mapping[str, str]]
    withdrawn: frozenset[str]
    cleared: frozenset[tuple[str, str]]


def in_force(records: Iterable[Correction]) -> InForce:
    """The last record about each subject decides."""
    last = {record.subject: record for record in records}
    answers: dict[str, dict[str, str]] = {}
    for record in last.values():
        if record.kind in OF_ANSWERS:
            answers.setdefault(record.instance_id, {})[record.field] = record.new_answer
    return InForce(
        answers,
        frozenset(r.instance_id for r in last.values() if r.kind == "withdraw"),
        frozenset((r.instance_id, r.rule) for r in last.values() if r.kind == "accept"),
    )


def overlay(answers: Mapping[str, str], corrected: Mapping[str, str]) -> dict[str, str]:
    """The answers as corrected; an answer corrected to nothing is left out."""
    return {k: v for k, v in {**answers, **corrected}.items() if v != ""}


def add(store: Store, records: Iterable[Correction]) -> None:
    """Append the records; the submissions that they are about are read again when tables are next brought up."""
    store.insert("kept.corrections", _COLUMNS, [tuple(getattr(r, c) for c in _COLUMNS) for r in records])
