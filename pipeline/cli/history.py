from __future__ import annotations

import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from formpack import words
from formpack.words import tr
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    print_json,
    print_table,
    refusals,
    say,
    workspace_at,
)

if TYPE_CHECKING:
    from pipeline.office.group_life import Life
    from pipeline.report.blocks import Table

_WIDE, _HEADS = 30, 4
"""Letters beyond which the cells of a column stand beneath their rows; so do those of all columns of events but the first."""


def history(
    of: Annotated[
        str, typer.Argument(metavar="CODE|ID", help="The code of a group, or the identity of a submission or its beginning.")
    ],
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE.html", help="Write the life of the group as a page.")] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the whole life of a group; or what a submission said when it came, every correction, and its states, in order."""
    from formpack.group_code import is_group_code, plain
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.office import group_life
    from pipeline.office.history import TABLES, beginning_with, history_of
    from pipeline.outputs import one_file
    from pipeline.tables import unknown_group

    life = None
    with refusals():
        if to is not None and to.suffix != ".html":
            raise Refused(tr("{file} must end in .html.", file=str(to)))
        ws, code = workspace_at(workspace), plain(of)
        ws.settings  # noqa: B018
        names = group_life.TABLES if code and is_group_code(code) else TABLES
        with run.opened(ws, names, day_of(as_of)) as (store, day):
            if code and is_group_code(code) and group_life.is_known(store, code):
                life = group_life.gather(store, code, ws.forms, day)
                if to is not None:
                    from pipeline.report.group_page import life_html

                    page = life_html(store, life, ws.settings.name)
                    with one_file(to) as beside:
                        beside.write_text(page, encoding="utf-8")
            elif group_life.is_like_a_code(of) and not beginning_with(store, of):
                raise unknown_group(store, of)
            elif to is not None:
                raise Refused(tr("--to writes the page of a group, and {given} is no code of one.", given=of))
            else:
                found = history_of(store, of, ws.forms)
    if life is None:
        print_json(found) if as_json else _say_submission(found)
    elif as_json:
        print_json(group_life.as_json(life))
    elif to is not None:
        say(tr("The life of group {group} is in {file}.", group=life.group, file=str(to)))
    else:
        _say_life(life)


def _say_submission(found: dict[str, Any]) -> None:
    about = {
        "submission": found["instance_id"],
        "form": found["form_id"] or tr("of no known form"),
        "at": found["received_at"].date(),
        "day": found["received_on"],
        "file": found["source"],
    }
    if found["received_at"].date() == found["received_on"]:
        say(tr("{submission}, {form}, came on {at} in {file}", **about))
    else:
        say(tr("{submission}, {form}, came on {at}, corrected to {day}, in {file}", **about))
    for question, answer in found["said"]:
        say("    " + tr("{question}: {answer}", question=question, answer=answer))
    say(tr("Noted, by the clock of this computer:"))
    for at, what in found["events"]:
        say(f"    {words.short_day(at)} {at:%H:%M}  {what}")


def _say_life(life: Life) -> None:
    from pipeline.office.group_words import head
    from pipeline.report.blocks import Says, Table
    from pipeline.report.group_page import chapters_of, facts

    say(tr("Group {group}", group=life.group))
    if known := facts(life):
        say("; ".join(tr("{question}: {answer}", question=what, answer=said) for what, said in known))
    for text in head(life):
        say(text)
    for chapter in chapters_of(life):
        for block in chapter.blocks:
            if isinstance(block, Table):
                say()
                _say_table(block)
            elif isinstance(block, Says):
                say(block.text)


def _say_table(table: Table) -> None:
    """A table of the page on the screen: columns of sentences stand beneath their rows, a last column tells what is marked."""
    say(f"{table.caption}:")
    as_said: dict[str, Callable[[Any], str]] = {"share": words.percent, "month": words.short_month}
    cells = [
        [as_said[c.kind](v) if c.kind in as_said else v for v, c in zip(row, table.columns, strict=True)] for row in table.rows
    ]
    if table.total:
        cells.append(list(table.total))
    wide = {
        at
        for at in range(1, len(table.columns))
        if (table.name == "events" and at > _HEADS) or any(isinstance(row[at], str) and len(row[at]) > _WIDE for row in cells)
    }
    heads = [c.head for at, c in enumerate(table.columns) if at not in wide]
    rows = [[v for at, v in enumerate(row) if at not in wide] for row in cells]
    if table.marked:
        heads.append(table.mark_says)
        rows = [[*row, tr("yes") if i in table.marked else None] for i, row in enumerate(rows)]
    print_table(heads, rows, [[line for at in sorted(wide) if row[at] for line in _lines(row[at])] for row in cells])


def _lines(text: str) -> list[str]:
    found = (
        textwrap.wrap(line, 108, break_long_words=False, break_on_hyphens=False) for line in words.unpacked(text).split("\n")
    )
    return [f"    {line}" for wrapped in found for line in wrapped]
