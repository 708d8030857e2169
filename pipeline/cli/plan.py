from __future__ import annotations

import datetime as dt
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from formpack.words import many
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    number_of,
    print_json,
    print_table,
    refusals,
    say,
    workspace_at,
)

Row = tuple[Any, ...]
_HEADS = "pair,month,ready,from,to,ordered,overdue,ready until,ordered until,short,chance of enough".split(",")


def _month(text: str) -> dt.date:
    from formpack.readers import READERS
    from pipeline.findings import Refused

    day = READERS["date"](f"{text}-01")
    if not isinstance(day, dt.date):
        raise Refused(f"--month {text} is not a month; write it as YYYY-MM, for example 2028-03.")
    return day


def plan(
    rootstock: Annotated[str, typer.Option(help="Code of the rootstock, to plan trees of a pair.")] = "",
    scion: Annotated[str, typer.Option(help="Code of the scion.")] = "",
    trees: Annotated[
        int | None,
        typer.Option(parser=number_of("--trees", "integer", 1, 1_000_000), metavar="N", help="How many trees are wanted."),
    ] = None,
    month: Annotated[str, typer.Option(metavar="YYYY-MM", help="The month they are to be ready in.")] = "",
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what will be ready when, against the orders; or, for trees of a pair in a month, how many to begin with and when."""
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.lists import is_active
    from pipeline.rates import outlook

    with refusals():
        ws = workspace_at(workspace)
        asked = [bool(rootstock), bool(scion), trees is not None, bool(month)]
        if any(asked) and not all(asked):
            raise Refused("To plan trees of a pair give --rootstock, --scion, --trees and --month together.")
        for name, code in (("rootstocks", rootstock), ("scions", scion)):
            if code and code not in {row["code"] for row in ws.read_list(name)}:
                raise Refused(f"There is no {code} in lists/{name}.csv.")
        first = _month(month) if month else None
        today = run.the_day(ws.settings, day_of(as_of))
        if first and not today.replace(day=1) <= first <= today.replace(year=today.year + 20, day=1):
            raise Refused(f"--month {month} must be from {today:%Y-%m} on, at most twenty years ahead.")
        of_pair = [
            r for r in ws.read_list("compatibility") if (r["rootstock"], r["scion"]) == (rootstock, scion) and is_active(r)
        ]
        with run.opened(ws, outlook.TABLES, day_of(as_of)) as (store, day):
            faults = store.rows("SELECT code, fault FROM work.order_faults")
            unknown = [step for (step,) in store.rows("SELECT step FROM work.unknown_steps")]
            if first is None or trees is None:
                rows = store.rows(
                    f"SELECT {', '.join(outlook.COLUMNS)} FROM projection ORDER BY shortfall DESC, rootstock, scion, month"
                )
            else:
                steps = outlook.plan(store, ws.settings, rootstock, scion, trees, first)
                stands = outlook.what_stands(store, ws.settings, rootstock, scion)
    if first is None or trees is None:
        if as_json:
            print_json(
                {
                    "as_of": day,
                    "projection": [dict(zip(outlook.COLUMNS, r, strict=True)) for r in rows],
                    "orders_left_out": [{"code": code, "fault": fault} for code, fault in faults],
                    "steps_without_a_rate": unknown,
                }
            )
        else:
            _print_projection(day, rows, faults, unknown)
        raise typer.Exit(1 if faults or any(r[12] for r in rows) else 0)
    sow = outlook.sow_by(ws.settings, first)
    if as_json:
        wanted = {"trees": trees, "rootstock": rootstock, "scion": scion, "month": month}
        is_late = {"too_late_to_sow": sow < day, "stands": asdict(stands)}
        print_json({**wanted, "sow_by": sow, **is_late, "steps": [asdict(s) for s in steps]})
        return
    say(f"For {many(trees, 'tree')} of {rootstock} + {scion} ready by {first}, sow by {sow}.")
    for row in of_pair:
        if row.get("grade"):
            say(f"lists/compatibility.csv: this pair is {row['grade']} ({row.get('source') or 'no source given'}).")
    _print_plan(steps, sow, day)
    if sow < day:
        _print_stands(f"{rootstock} + {scion}", rootstock, stands, first)


def _print_projection(day: dt.date, rows: list[Row], faults: list[Row], unknown: list[str]) -> None:
    from pipeline.rates.outlook import step_words

    for code, fault in faults:
        say(f"lists/orders.csv: order {code} is left out: {fault}.")
    if unknown:
        say(
            f"Nothing has gone through these steps here yet: {step_words(unknown)}. So there are no data for them: no loss is"
            " counted in them, and where they are still ahead no band can be given."
        )
    short = [r for r in rows if r[12]]
    if rows:
        say(
            f"Trees that will be ready from {day} on if nothing more is budded."
            " From and to hold in 8 of 10 cases; until adds up from now."
        )
        first_short = [*short, *(r for r in rows if not r[12])]
        print_table(
            _HEADS,
            [(f"{r[0]} + {r[1]}", *r[2:7], r[7] or None, r[8], r[11], r[12] or None, _chance(r[13])) for r in first_short],
        )
    if short:
        say(
            f"{many(len(short), 'order month')} of a pair {'falls' if len(short) == 1 else 'fall'} short, the most trees first."
        )
    elif rows:
        say("No open order that could be read falls short." if faults else "No open order falls short.")
    else:
        say("Nothing is on the way: no budded group stands and no order is open.")


def _chance(value: float | None) -> str:
    if value is None:
        return ""
    return "over 99%" if value > 0.99 else "under 1%" if value < 0.01 else f"{value:.0%}"


def _print_plan(steps: list[Any], sow: dt.date, day: dt.date) -> None:
    from pipeline.rates import outlook

    print_table(
        ("begin with", "by", "for 80 %", "for 95 %", "come through", "by records", "rate of", "resting on"),
        [
            (
                outlook.STEP_WORDS[s.step],
                s.by or "no date yet",
                s.at_80,
                s.at_95,
                f"{s.rate.known.share:.1%}",
                f"{s.rate.recorded:.1%}",
                "all of the nursery" if s.rate.level == "all" else s.rate.level,
                f"{many(s.rate.groups, 'group')}, {s.rate.began:,} plants",
            )
            for s in steps
        ],
    )
    say(
        "80 % and 95 %: how sure it is that they are enough, with what is not known of the rates and how groups differ in it."
        " Buds that fail are taken as lost; what is budded again comes on top. By records: what comes through if nothing went"
        " that nobody wrote down."
    )
    late = [s for s in steps if s.by and s.by < day]
    if sow < day:
        say("That is too late to sow now; trees for that month must come from what stands.")
    elif late:
        say(f"The day for {outlook.STEP_WORDS[late[0].step]} is past.")


def _print_stands(pair: str, rootstock: str, stands: Any, first: dt.date) -> None:
    """What there is of the pair, and when it will be ready."""
    if stands.groups:
        say(f"Of {pair} {many(stands.plants, 'plant')} in {many(stands.groups, 'group')} stand now. Ready of it:")
        rows = [(month, n, *(("no data", "") if low is None else (low, high))) for month, n, low, high in stands.ready]
        print_table(("month", "ready", "from", "to"), rows)
        until = sum(n for month, n, _, _ in stands.ready if month <= f"{first:%Y-%m}")
        say(f"By {first:%Y-%m} that makes about {many(until, 'tree')}, orders not taken off. From and to: 8 of 10 cases.")
    else:
        say(f"Nothing of {pair} stands now.")
    if stands.not_budded_groups:
        plants, groups = many(stands.not_budded_plants, "plant"), many(stands.not_budded_groups, "group")
        when = ""
        if stands.not_budded_ready:
            begin, end = stands.not_budded_ready
            when = f"; trees of them can be ready {f'in {begin}' if begin == end else f'from {begin} to {end}'}"
        say(f"Of {rootstock} {plants} in {groups} are not budded yet{when}.")
    else:
        say(f"No plants of {rootstock} wait to be budded.")
