"""What is due as sheets to print: one for each person, in the order of a walk, with room to tick and to write.

A sheet lies on the bench where the next one counts, so it tells how many plants are expected only where the phones do too."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from formpack.catalog import Form, text_in
from formpack.group_code import shown
from formpack.words import day, many, tr
from pipeline.field.due_list import DueList, Task
from pipeline.field.printing import gap, grid, new_sheet, words, write_sheets

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

CAUTIONS = ("knife_note", "stake_note", "stakes_note")
"""What forms call their cautions for blades and stakes."""
_BOX = "\u2610"


def cautions(tasks: Iterable[Task], forms: Mapping[str, Form]) -> list[str]:
    """What the forms of these tasks caution of, each once, in the language that is spoken."""
    used = [forms[task] for task in dict.fromkeys(t.task for t in tasks) if task in forms]
    return list(dict.fromkeys(text_in(row, "label") for form in used for row in form.rows if row.get("name") in CAUTIONS))


def _of_place(due: DueList, place: str, tasks: list[Task], is_told: bool) -> list[Flowable]:
    noted = tr("noted by {person}", person=due.name(tasks[0].person)) if tasks[0].person else tr("to be noted")
    heads = [tr("done"), tr("group"), tr("pair"), tr("what to do"), tr("when"), noted]
    rows: list[list[Any]] = [[_BOX, shown(t.group), t.pair, due.what(t), t.when, None] for t in tasks]
    widths = [13.0, 23, 42, 42, 29, 33]
    if is_told:
        heads.insert(5, tr("plants"))
        widths = [13.0, 23, 38, 38, 29, 15, 26]
        for row, t in zip(rows, tasks, strict=True):
            row.insert(5, None if t.task == "despatch" else t.plants)
    return [words(due.places.label(place), 10.5, bold=True, keep=True), grid(heads, rows, widths), gap(4)]


def write_due_sheets(path: Path, nursery: str, due: DueList, forms: Mapping[str, Form], show_expected: bool) -> None:
    """A sheet for each person at `path`, or more where there is much to do; last what is nobody's."""
    blocks: list[Flowable] = []
    for person, tasks in due.by_person.items():
        late = sum(t.days_over > 0 for t in tasks)
        said = tr("{day}: {tasks}, {late} of them late.", day=due.day, tasks=many(len(tasks), "task"), late=late)
        blocks += [new_sheet()] if blocks else []
        blocks += [words(due.name(person) if person else tr("Nobody named"), 17, bold=True, after_mm=1)]
        blocks += [words(said, 9.5, after_mm=1)]
        blocks += [words(text, 8.5, after_mm=1) for text in [*([] if person else [due.nobody]), *cautions(tasks, forms)]]
        blocks.append(gap(3))
        for place, here in groupby(tasks, key=lambda t: t.place):
            blocks += _of_place(due, place, list(here), show_expected)
    write_sheets(path, tr("What is due, {day}", day=due.day), f"{nursery}, {day(due.day)}", blocks)
