"""What is due as sheets to print: one for each person, or for a team, in the order of a walk, with room to tick and to write.

A sheet lies on the bench where the next one counts, so it tells how many plants are expected only where the phones do too."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from formpack.catalog import Form, text_in
from formpack.group_code import shown
from formpack.words import day, many, marked, tr
from pipeline.field.due_list import DueList, Task
from pipeline.field.printing import gap, grid, words, write_sheets

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

CAUTIONS = ("knife_note", "stake_note", "stakes_note")
"""What forms call their cautions for blades and stakes."""
_BOX = "\u2610"


def cautions(tasks: Iterable[Task], forms: Mapping[str, Form]) -> list[str]:
    """What the forms of these tasks caution of, each once, in the language that is spoken."""
    used = [forms[task] for task in dict.fromkeys(t.task for t in tasks) if task in forms]
    return list(dict.fromkeys(text_in(row, "label") for form in used for row in form.rows if row.get("name") in CAUTIONS))


def _by_place(due: DueList, tasks: Sequence[Task], noted: str, is_told: bool) -> list[Flowable]:
    """A table for each place, with a row for each group that has its tasks line by line."""
    heads, widths = [tr("group"), tr("pair"), tr("what to do"), noted], [23.0, 40, 91, 28]
    if is_told:
        heads.insert(3, tr("plants"))
        widths = [23.0, 37, 80, 15, 27]
    blocks: list[Flowable] = []
    for place, here in groupby(tasks, key=lambda t: t.place):
        rows: list[list[Any]] = []
        for group, of_group in groupby(here, key=lambda t: t.group):
            todo = list(of_group)
            lines = [tr("{what}, {when}", what=due.what(t), when=t.when) for t in todo]
            rows.append([shown(group), todo[0].pair, "\n".join(f"{_BOX} {line}" for line in lines), None])
            if is_told:
                rows[-1].insert(3, next((t.concerned for t in todo if t.task != "despatch"), None))
        blocks += [words(due.places.label(place), 10.5, bold=True, keep=True), grid(heads, rows, widths), gap(4)]
    return blocks[:-1]


def write_due_sheets(path: Path, nursery: str, due: DueList, forms: Mapping[str, Form], show_expected: bool) -> None:
    """A sheet for each person at `path`, or more where there is much to do; last what is nobody's. What the person may not do,
    as who counted last, stands at the end under a heading of its own, to be given to somebody else. Where a team was asked for
    the sheet is that team's."""
    parts = []
    for person, tasks in {due.team: due.walk}.items() if due.team else due.by_person.items():
        name = due.teams.get(due.team) or (due.name(person) if person else tr("Nobody named"))
        late = sum(t.days_over > 0 for t in tasks)
        head = marked("{day}: {tasks}, {late} of them late.") if late else marked("{day}: {tasks}, none late.")
        said = tr(head, day=due.day, tasks=many(len(tasks), "task"), late=late)
        blocks = [words(name, 17, bold=True, after_mm=1), words(said, 9.5, after_mm=1)]
        blocks += [words(text, 10.5, bold=True, after_mm=1) for text in due.warnings]
        blocks += [words(text, 8.5, after_mm=1) for text in [*([] if person else [due.nobody]), *cautions(tasks, forms)]]
        own, others = [t for t in tasks if not t.is_for_another], [t for t in tasks if t.is_for_another]
        noted = tr("noted by {person}", person=name) if person else tr("to be noted")
        blocks += [gap(3), *_by_place(due, own, noted, show_expected)]
        if others:
            blocks += [gap(8), words(tr("For somebody else to count again"), 12, bold=True, after_mm=2, keep=True)]
            blocks += _by_place(due, others, tr("to be noted"), show_expected)
        parts.append((f"{name}, {nursery}, {day(due.day)}", blocks))
    write_sheets(path, tr("What is due, {day}", day=due.day), parts)
