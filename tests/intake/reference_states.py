"""What becomes of each submission: a pure function of the whole set, so that no order of arrival can matter."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from formpack.words import pack
from pipeline.findings import Finding

State = Literal["accepted", "waiting", "quarantined", "superseded", "withdrawn"]
STATES: tuple[State, ...] = ("accepted", "waiting", "quarantined", "superseded", "withdrawn")
Lot = tuple[str, str, int]
"""(group_code, team_code, attempt)."""


@dataclass(frozen=True)
class Head:
    """What a submission's state depends on. Missing answers are None; `moves_to` only where plants do move."""

    instance_id: str
    form_id: str
    group_code: str | None
    visit_date: dt.date | None
    deprecated_id: str
    ended: str
    canonical: str
    versions: int
    other_source: str
    opens: bool
    moves_to: str | None
    set_lot: Lot | None
    read_lot: Lot | None
    reason: str

    @property
    def order(self) -> tuple[str, str]:
        return self.ended, self.instance_id


@dataclass
class Settled:
    states: dict[str, State] = field(default_factory=dict)
    superseded_by: dict[str, str] = field(default_factory=dict)
    opened_on: dict[str, dt.date] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def follow_edits(heads: Mapping[str, Head]) -> tuple[dict[str, str], list[Finding]]:
    """Which submission each superseded one gives way to (the next in its chain), and what is wrong with chains."""
    findings: list[Finding] = []
    editors: dict[str, list[Head]] = defaultdict(list)
    for head in heads.values():
        old = heads.get(head.deprecated_id)
        if old is None:
            if head.deprecated_id and head.deprecated_id == head.instance_id:
                findings.append(Finding(head.instance_id, "edit_loop"))
        elif old is not head and old.form_id != head.form_id:
            findings.append(Finding(head.instance_id, "edit_of_other_form", "", "", old.instance_id))
        else:
            editors[head.deprecated_id].append(head)
    following: dict[str, str] = {}
    for old_id, edits in editors.items():
        edits.sort(key=lambda h: h.order)
        following[old_id] = edits[-1].instance_id
        for earlier in edits[:-1]:
            following.setdefault(earlier.instance_id, edits[-1].instance_id)
            findings.append(Finding(edits[-1].instance_id, "edited_apart", "", "", edits[-1].instance_id))
    for start in list(following):
        seen, at = {start}, following[start]
        while at in following and at not in seen:
            seen.add(at)
            at = following[at]
        if at == start:
            findings.append(Finding(start, "edit_loop"))
    looped = {f.instance_id for f in findings if f.rule == "edit_loop"}
    return {old: new for old, new in following.items() if old not in looped}, sorted(set(findings))


def _double_entries(heads: Iterable[Head]) -> list[Finding]:
    alike: dict[str, list[Head]] = defaultdict(list)
    for head in heads:
        alike[head.canonical].append(head)
    return [
        Finding(twin.instance_id, "double_entry", "", "", min(same, key=lambda h: h.order).instance_id)
        for same in alike.values()
        for twin in sorted(same, key=lambda h: h.order)[1:]
    ]


def _openings(heads: Iterable[Head]) -> tuple[dict[str, dt.date], list[Finding]]:
    """The day each group was opened by its opening form; a second opening is a finding."""
    first: dict[str, Head] = {}
    findings = []
    openers = [h for h in heads if h.opens and h.group_code and h.visit_date]
    for head in sorted(openers, key=lambda h: (h.visit_date, *h.order)):
        before = first.setdefault(head.group_code or "", head)
        if before is not head:
            findings.append(Finding(head.instance_id, "opened_twice", "group_code", head.group_code or "", before.instance_id))
    return {code: head.visit_date for code, head in first.items() if head.visit_date}, findings


def _spread(opened: dict[str, dt.date], sound: list[Head]) -> tuple[dict[str, dt.date], dict[Lot, dt.date]]:
    """Groups and lots that exist, each with its first day: least fixed point of "what exists lets more exist".

    A group exists when its opening form, or a move out of a group that exists, says so; a lot when a budding in
    such a group says so; a reading moves failed buds only when its lot exists.
    """
    groups, lots = dict(opened), dict[Lot, dt.date]()
    changed = True
    while changed:
        changed = False
        for h in sound:
            day = h.visit_date
            if not day or h.group_code not in groups or day < groups[h.group_code]:
                continue
            if h.set_lot and day < lots.get(h.set_lot, dt.date.max):
                lots[h.set_lot], changed = day, True
            target, ready = h.moves_to, not h.read_lot or lots.get(h.read_lot, dt.date.max) <= day
            if target and ready and target not in opened and day < groups.get(target, dt.date.max):
                groups[target], changed = day, True
    return groups, lots


def settle(heads: Iterable[Head], stopped: set[str], withdrawn: set[str], cleared: set[tuple[str, str]]) -> Settled:
    """The state of every submission.

    `stopped` are those with a stop finding of their own; `withdrawn` those a person has withdrawn; `cleared` the
    (submission, rule) pairs that a person has accepted as they are.
    """
    everything = {h.instance_id: h for h in heads}
    alive = {i: h for i, h in everything.items() if i not in withdrawn}
    result = Settled(states={i: "withdrawn" for i in withdrawn if i in everything})
    result.superseded_by, findings = follow_edits(alive)
    stops = set(stopped)

    def note(new: Iterable[Finding]) -> None:
        for f in new:
            if (f.instance_id, f.rule) not in cleared:
                findings.append(f)
                if f.rule not in ("edited_apart", "opened_by_transfer", "waits_for_group", "waits_for_lot"):
                    stops.add(f.instance_id)

    own, findings = findings, []
    note(own)
    last = [h for i, h in alive.items() if i not in result.superseded_by]
    note(Finding(h.instance_id, "two_versions", "", "", h.other_source) for h in last if h.versions > 1)
    note(_double_entries(h for h in last if h.instance_id not in stops))
    opened, twice = _openings(h for h in last if h.instance_id not in stops)
    note(twice)
    sound = [h for h in last if h.instance_id not in stops]
    opened_on, budded = _spread(opened, [h for h in sound if h.moves_to or h.set_lot])
    result.opened_on = opened_on
    note(_too_early(sound, opened_on))
    standing = [h for h in sound if h.instance_id not in stops]
    known = [h for h in standing if h.group_code in opened_on]
    note(
        Finding(h.instance_id, "before_budding", "visit_date", str(h.visit_date), pack("{day}", day=budded[h.read_lot]))
        for h in known
        if h.read_lot in budded and h.visit_date and h.visit_date < budded[h.read_lot]
    )
    waiting = []
    for h in standing:
        if h.group_code is not None and h.group_code not in opened_on:
            waiting.append(Finding(h.instance_id, "waits_for_group", "group_code", h.group_code or ""))
        elif h.group_code is not None and h.read_lot and h.read_lot not in budded:
            waiting.append(Finding(h.instance_id, "waits_for_lot", "team_code", h.read_lot[1], str(h.read_lot[2])))
        elif h.moves_to and h.moves_to not in opened and h.reason in ("regrade", "merge"):
            note([Finding(h.instance_id, "opened_by_transfer", "to_group", h.moves_to)])
    note(waiting)

    waits = {f.instance_id for f in waiting}
    for instance_id in alive:
        verdicts = {"superseded": result.superseded_by, "quarantined": stops, "waiting": waits}
        result.states[instance_id] = next((state for state, those in verdicts.items() if instance_id in those), "accepted")
    result.findings = sorted(set(findings))
    return result


def _too_early(heads: Iterable[Head], opened_on: Mapping[str, dt.date]) -> list[Finding]:
    found = []
    for h in heads:
        for code, name in ((h.group_code, "visit_date"), (h.moves_to, "to_group")):
            opened = opened_on.get(code or "")
            if opened and h.visit_date and h.visit_date < opened:
                found.append(Finding(h.instance_id, "before_opening", name, str(h.visit_date), pack("{day}", day=opened)))
                break
    return found
