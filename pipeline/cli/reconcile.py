from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import many, percent, tr, trn
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    how_many,
    number_of,
    print_json,
    print_table,
    refusals,
    say,
    workspace_at,
)

if TYPE_CHECKING:
    from pipeline.report.round import Round


def reconcile(
    next_hours: Annotated[
        float | None,
        typer.Option(
            "--next",
            parser=number_of("--next", "decimal", 0.1, 1000),
            metavar="HOURS",
            help="Propose what to count in so many hours to take most doubt away.",
        ),
    ] = None,
    most: Annotated[
        int, typer.Option(parser=how_many, metavar="N", help="How many groups to count again to print; 0 prints all.")
    ] = 20,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what stands and how sure that is, which groups to count again and why, and what went without a record; with --next,
    where to count next."""
    from pipeline import run
    from pipeline.report.round import ROUND, gather_round
    from pipeline.report.stock import STOCK, gather_stock

    with refusals():
        ws = workspace_at(workspace)
        is_next = next_hours is not None
        with run.opened(ws, (*STOCK, *ROUND) if is_next else STOCK, day_of(as_of)) as (store, day):
            walk = gather_round(store, ws.settings.walk, next_hours) if next_hours is not None else None
            stock = gather_stock(store)
    if as_json:
        print_json({"as_of": day, **asdict(stock)} | ({"next": asdict(walk) | {"says": walk.says}} if walk else {}))
        raise typer.Exit(1 if stock.recounts or stock.place_faults else 0)
    for code, fault in stock.place_faults:
        say(tr("lists/locations.csv: place {place} counts as a house of its own: {fault}.", place=code, fault=fault))
    total = stock.total
    if stock.not_in_this:
        say(" ".join(stock.not_in_this))
    if not total.groups:
        say(tr("As of {day}, no group stands.", day=day))
    else:
        say(
            trn(
                "As of {day}, {n} plant stands ({low} to {high}) in {groups}; the book says {book}.",
                "As of {day}, {n} plants stand ({low} to {high}) in {groups}; the book says {book}.",
                total.estimate,
                day=day,
                low=total.low,
                high=total.high,
                groups=many(total.groups, "group"),
                book=total.book,
            )
        )
    if walk:
        _print_round(walk)
        raise typer.Exit(1 if stock.recounts or stock.place_faults else 0)
    for by, head, rows in (
        ("stage", tr("stage"), stock.by_stage),
        ("rootstock", tr("rootstock"), stock.by_rootstock),
        ("scion", tr("scion"), stock.by_scion),
        ("house", tr("house"), stock.by_house),
    ):
        if rows and (len(rows) > 1 or by in ("stage", "scion")):
            say("")
            print_table(
                (head, tr("groups"), tr("plants"), tr("from"), tr("to"), tr("book")),
                [(_label(by, s.label), s.groups, s.estimate, s.low, s.high, s.book) for s in rows],
            )
    say("")
    if stock.recounts:
        say(trn("Count {n} group again:", "Count {n} groups again, the most doubtful first:", len(stock.recounts)))
        for r in stock.recounts[: most or None]:
            say(f"  {_at(r.group, r.place)}: {r.advice}")
        _say_more(len(stock.recounts), most)
    else:
        say(tr("No group needs to be counted again."))
    for finding in stock.people:
        say(finding)
    if stock.settled:
        say(
            trn(
                "{n} earlier count was wrong, but later counts show what stands: table discrepancies.",
                "{n} earlier counts were wrong, but later counts show what stands: table discrepancies.",
                stock.settled,
            )
        )
    for move in stock.moves:
        say(
            trn(
                "About {n} plant went from {from_group} to {to_group} between {since} and {until} and nobody wrote it down"
                " ({sure} sure).",
                "About {n} plants went from {from_group} to {to_group} between {since} and {until} and nobody wrote it down"
                " ({sure} sure).",
                move.plants,
                from_group=move.from_group,
                to_group=move.to_group,
                since=move.since,
                until=move.until,
                sure=percent(move.confidence, 0),
            )
        )
    if stock.closed:
        say(
            trn(
                "Counted to 0: {groups}; {n} plant of the books vanished there without a record.",
                "Counted to 0: {groups}; {n} plants of the books vanished there without a record.",
                sum(c.plants for c in stock.closed),
                groups=many(len(stock.closed), "group"),
            )
        )
        for c in stock.closed[: most or None]:
            about = {"group": _at(c.group, c.place), "day": c.on}
            said = trn(
                "{group}: {n} plant of its book when it was counted to 0 on {day}.",
                "{group}: {n} plants of its book when it was counted to 0 on {day}.",
                c.plants,
                **about,
            )
            say(f"  {said}")
        _say_more(len(stock.closed), most)
    if stock.gone_by_stage:
        say("")
        say(tr("Gone without a record, as far as counts show it:"))
        for by, head, lost in (("stage", tr("stage"), stock.gone_by_stage), ("house", tr("house"), stock.gone_by_place)):
            print_table(
                (head, tr("plants"), tr("from"), tr("to"), tr("of 1,000 a month")),
                [(_label(by, u.label), u.lost, u.low, u.high, u.a_month) for u in lost],
            )
            say("")
    raise typer.Exit(1 if stock.recounts or stock.place_faults else 0)


def _label(by: str, label: str) -> str:
    from pipeline.report.stock import STAGE_WORDS

    return tr(STAGE_WORDS.get(label, label)) if by == "stage" else label


def _at(group: str, place: str) -> str:
    return f"{group} ({place})" if place else group


def _say_more(many_there: int, most: int) -> None:
    if most and many_there > most:
        say("  " + tr("... and {n} more: --most 0", n=many_there - most))


def _print_round(walk: Round) -> None:
    say("")
    if walk.groups:
        print_table(
            (tr("group"), tr("place"), tr("plants"), tr("by"), tr("minutes"), tr("doubt now"), tr("doubt left")),
            [(g.group, g.place, g.plants, _by(g.not_by), g.minutes, g.doubt, g.doubt_left) for g in walk.groups],
        )
        say("")
    say(walk.says)


def _by(not_by: str) -> str:
    return tr("somebody other than {staff}", staff=not_by) if not_by else tr("anybody")
