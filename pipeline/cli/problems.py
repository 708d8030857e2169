from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import Annotated, Any

import typer

from formpack.words import many, marked, short_day, tr, trn, unpacked
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    how_many,
    print_json,
    refusals,
    say,
    titles,
    workspace_at,
)

_MANY = 10
"""So many plants kept out of the numbers are worth a word."""
_LEVELS = (("stop", marked("Kept out of the books until put right: {n}")), ("note", marked("Worth a look: {n}")))


def _print_rule(name: str, rows: list[tuple[Any, ...]], most: int, names: dict[str, str]) -> None:
    from formpack.group_code import shown

    say(f"  {rows[0][8]}")
    for instance_id, form_id, code, _, _, _, _, message, _, source, day, held in rows[: most or None]:
        on = short_day(day) if day else ""
        what = ", ".join(str(x) for x in (names.get(form_id, form_id), shown(code) if code else None, on) if x)
        where = instance_id if form_id else source
        hides = ""
        if held >= _MANY and name != "double_entry":
            hides = " " + tr("It keeps about {plants} out of the numbers.", plants=many(held, "plant"))
        say(f"    {f'{what}: ' if what else ''}{unpacked(message)}{hides}{f'  [{where}]' if where else ''}")
    if most and len(rows) > most:
        say("    " + tr("... and {n} more: --rule {rule}", n=len(rows) - most, rule=name))


def problems(
    severity: Annotated[str, typer.Option(help="Only `stop` or only `note`.")] = "",
    group: Annotated[str, typer.Option(help="Only this group.")] = "",
    rule: Annotated[str, typer.Option(help="Only findings of this rule.")] = "",
    most: Annotated[int, typer.Option(parser=how_many, metavar="N", help="How many of each rule to print; 0 prints all.")] = 5,
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE.xlsx", help="Write them as a workbook to decide in.")] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """List everything that a person should look at, worst first, each with what to do."""
    from formpack.group_code import plain
    from pipeline import run
    from pipeline.findings import Refused, Rule
    from pipeline.office.problem_list import write_list
    from pipeline.tables import TABLES

    columns = TABLES["problems"][1]
    with refusals():
        if rule and rule not in Rule.__members__:
            rules = ", ".join(Rule.__members__)
            raise Refused(tr("There is no rule {rule}; the rules are {rules}.", rule=rule, rules=rules))
        if severity not in ("", "stop", "note"):
            raise Refused(tr("--severity is stop or note."))
        if to is not None and to.suffix != ".xlsx":
            raise Refused(tr("{file} must end in .xlsx.", file=str(to)))
        ws = workspace_at(workspace)
        with run.opened(ws, ("problems", "submissions", "forms", "held_back"), day_of(as_of)) as (store, _):
            rows = store.rows(
                f"SELECT {', '.join(columns)}, source, visit_date, coalesce(held, 0) FROM problems LEFT JOIN"
                " (SELECT instance_id, source, visit_date FROM work.current) USING (instance_id) LEFT JOIN"
                " (SELECT instance_id, max(abs(plants)) AS held FROM work.held_back GROUP BY ALL) USING (instance_id)"
                " WHERE ($1 = '' OR severity = $1) AND ($2 = '' OR group_code = $2) AND ($3 = '' OR rule = $3)"
                " ORDER BY visit_date DESC, instance_id, field",
                [severity, plain(group) or group, rule],
            )
            known = "SELECT count(*) FROM submissions WHERE group_code = ?"
            if group and not store.value(known, [plain(group) or group]):
                raise Refused(tr("--group {group}: no submission is about such a group.", group=group))
            if to is not None:
                written = write_list(store, to, ws.forms, run.choices_of(ws, store), {(r[0], r[4]) for r in rows})
            names = titles(ws)
            order = list(Rule.__members__)
            most_held: dict[str, int] = {}
            for r in rows:
                most_held[r[4]] = max(most_held.get(r[4], 0), r[-1])
            rows.sort(key=lambda r: (r[3] != "stop", -most_held[r[4]], order.index(r[4]), -r[-1]))
    if to is not None and not as_json:
        say(
            tr("Nothing needs a look; {file} is an empty list.", file=str(to))
            if not written
            else trn(
                "{n} finding in {file}. Fill in decision and reason, then `formpack correct {name} --by CODE`.",
                "{n} findings in {file}. Fill in decision and reason, then `formpack correct {name} --by CODE`.",
                written,
                file=str(to),
                name=to.name,
            )
        )
        raise typer.Exit(1 if written else 0)
    if as_json:
        print_json(
            {"problems": [dict(zip((*columns, "source", "visit_date", "plants_held_back"), r, strict=True)) for r in rows]}
        )
        raise typer.Exit(1 if rows else 0)
    for level, title in _LEVELS:
        of_level = [r for r in rows if r[3] == level]
        if of_level:
            say(tr(title, n=len(of_level)))
        for name, same in groupby(of_level, key=lambda r: str(r[4])):
            _print_rule(name, list(same), most if not rule else 0, names)
    say(
        tr("To put them right: `formpack problems --to list.xlsx`, fill it in, `formpack correct list.xlsx --by CODE`.")
        if rows
        else tr("Nothing needs a look.")
    )
    raise typer.Exit(1 if rows else 0)
