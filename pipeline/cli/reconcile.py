from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import many
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
    from pipeline.book.discrepancies import said_day
    from pipeline.report.round import ROUND, gather_round
    from pipeline.report.stock import STAGE_WORDS, STOCK, gather_stock

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
        say(f"lists/locations.csv: place {code} counts as a house of its own: {fault}.")
    total = stock.total
    if stock.not_in_this:
        say(" ".join(stock.not_in_this))
    say(
        f"As of {day}, {total.estimate:,} plants stand ({total.low:,} to {total.high:,}) in {many(total.groups, 'group')};"
        f" the book says {total.book:,}."
    )
    if walk:
        _print_round(walk)
        raise typer.Exit(1 if stock.recounts or stock.place_faults else 0)
    for head, rows in (
        ("stage", stock.by_stage),
        ("rootstock", stock.by_rootstock),
        ("scion", stock.by_scion),
        ("house", stock.by_house),
    ):
        if rows and (len(rows) > 1 or head in ("stage", "scion")):
            say("")
            print_table(
                (head, "groups", "plants", "from", "to", "book"),
                [(STAGE_WORDS.get(s.label, s.label), s.groups, s.estimate, s.low, s.high, s.book) for s in rows],
            )
    say("")
    if stock.recounts:
        say(f"Count again: {many(len(stock.recounts), 'group')}, the most doubtful first.")
        for r in stock.recounts[: most or None]:
            say(f"  {r.group}{f' ({r.place})' if r.place else ''}: {r.advice}")
        if most and len(stock.recounts) > most:
            say(f"  ... and {len(stock.recounts) - most} more: --most 0")
    else:
        say("No group needs to be counted again.")
    for finding in stock.people:
        say(finding)
    if stock.settled:
        say(f"{many(stock.settled, 'earlier count')} were wrong, but later counts show what stands: table discrepancies.")
    for move in stock.moves:
        say(
            f"About {many(move.plants, 'plant')} went from {move.from_group} to {move.to_group} between {move.since} and"
            f" {move.until} and nobody wrote it down ({move.confidence:.0%} sure)."
        )
    if stock.closed:
        vanished = many(sum(c.plants for c in stock.closed), "plant")
        say(f"Counted to 0: {many(len(stock.closed), 'group')}; {vanished} of the books vanished there without a record.")
        for c in stock.closed[: most or None]:
            where = f" ({c.place})" if c.place else ""
            say(f"  {c.group}{where}: {many(c.plants, 'plant')} of its book when it was counted to 0 on {said_day(c.on)}.")
        if most and len(stock.closed) > most:
            say(f"  ... and {len(stock.closed) - most} more: --most 0")
    if stock.gone_by_stage:
        say("")
        say("Gone without a record, as far as counts show it:")
        for head, lost in (("stage", stock.gone_by_stage), ("house", stock.gone_by_place)):
            print_table(
                (head, "plants", "from", "to", "of 1,000 a month"),
                [(STAGE_WORDS.get(u.label, u.label), u.lost, u.low, u.high, u.a_month) for u in lost],
            )
            say("")
    raise typer.Exit(1 if stock.recounts or stock.place_faults else 0)


def _print_round(walk: Round) -> None:
    say("")
    if walk.groups:
        print_table(
            ("group", "place", "plants", "by", "minutes", "doubt now", "doubt left"),
            [
                (
                    g.group,
                    g.place,
                    g.plants,
                    f"somebody else than {g.not_by}" if g.not_by else "anybody",
                    g.minutes,
                    g.doubt,
                    g.doubt_left,
                )
                for g in walk.groups
            ],
        )
        say("")
    say(walk.says)
