from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import listed, many, tr, trn
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
    from pipeline.field.despatch import Despatch, Record


def despatch(
    order: Annotated[str, typer.Argument(help="The code of the order.")],
    is_printed: Annotated[bool, typer.Option("--print", help="Write the paper, with a number, and remember it.")] = False,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.pdf", help="Write the paper there; the same as --print.")
    ] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what is to leave for an order now and what was recorded beside its papers; with --print, the paper to take along."""
    from pipeline import run
    from pipeline.field import despatch as field
    from pipeline.findings import Refused
    from pipeline.rates.promises import Names
    from pipeline.store import Store

    number = ""
    with refusals():
        if to is not None and to.suffix != ".pdf":
            raise Refused(tr("{file} must end in .pdf.", file=str(to)))
        ws = workspace_at(workspace)
        if is_printed or to is not None:
            with Store.open(ws.store_file, make=False) as store:
                run.prove(store)
                day = run.refresh(store, ws, day_of(as_of), field.TABLES)
                names = Names.read(store)
                found = field.despatch_of(store, order, names)
                number = field.issue_paper(store, ws, found, names, day, to)
        else:
            with run.opened(ws, field.TABLES, day_of(as_of)) as (store, day):
                found = field.despatch_of(store, order, Names.read(store))
    file = str(to or field.file_of(ws, number)) if number else None
    if as_json:
        papers = [
            asdict(p)
            | {"planned": p.planned, "recorded": p.recorded, "not_ordered": p.not_ordered}
            | {"groups": [asdict(g) | {"says": g.says} for g in p.groups]}
            for p in found.papers
        ]
        print_json({"as_of": day, **asdict(found), "papers": papers, "printed": number or None, "file": file})
    else:
        _say(found, number)
        if number:
            said = tr("Paper {number} is in {file}: {trees} of {groups}.", number=number, file=file, **_counted(found))
            say(said)
            if why := field.replaces(found):
                say(why)
    raise typer.Exit(1 if found.needs_a_look else 0)


def _counted(found: Despatch) -> dict[str, str]:
    return {"trees": many(found.trees, "tree"), "groups": many(len(found.leaves), "group")}


def _trees(record: Record) -> str:
    return tr("not known") if record.trees is None else many(record.trees, "tree")


def _say(found: Despatch, number: str) -> None:
    from formpack.group_code import shown
    from pipeline.field.despatch import short_says, unknown_places, why_nothing_leaves

    say(tr("Order {order}, for {consignee}", order=found.order, consignee=found.consignee or tr("nobody named")))
    if not found.fault:
        say(
            tr(
                "{pair}, wanted on {day}. Ordered: {ordered}; gone: {delivered}; open: {open}.",
                pair=found.pair_label,
                day=found.wanted_on,
                ordered=found.ordered,
                delivered=found.delivered,
                open=found.open,
            )
        )
    if why := why_nothing_leaves(found):
        say(why)
    else:
        say(tr("To leave now: {trees} of {groups}.", **_counted(found)))
        print_table(
            (tr("place"), tr("group"), tr("trees"), tr("budwood batches"), tr("seed lot")),
            [
                (x.place or tr("not known"), shown(x.group_code), x.trees, ", ".join(x.batches), ", ".join(x.seed_lots))
                for x in found.leaves
            ],
            [["    " + tr("mixed: {scions}", scions=x.mix)] if x.mix else [] for x in found.leaves],
        )
    for says in (found.doubt, short_says(found), unknown_places(found.leaves)):
        if says:
            say(says)
    for paper in found.papers:
        said = tr(
            "Paper {number} of {day}: {planned}; recorded since: {recorded}.",
            number=paper.number,
            day=paper.printed_on,
            planned=many(paper.planned, "tree"),
            recorded=paper.recorded,
        )
        if paper.not_ordered:
            said += " " + tr("Not ordered of these: {trees}.", trees=many(paper.not_ordered, "tree"))
        if paper.replaced_by:
            said += " " + tr("It was replaced by {number}.", number=paper.replaced_by)
        say(said)
        if paper.recorded or not paper.replaced_by:
            print_table(
                (tr("group"), tr("on the paper"), tr("recorded"), ""),
                [(shown(g.group_code), g.planned, g.recorded, g.says) for g in paper.groups],
            )
    if found.papers and found.under_no_paper:
        say(tr("Gone under no paper: {trees}.", trees=many(found.under_no_paper, "tree")))
    for r in found.not_ordered:
        say(
            tr(
                "{group}, {day}: {trees} of {pair} went under this order; not ordered, so not counted as delivered"
                " [{submission}].",
                group=r.group,
                day=r.day,
                trees=_trees(r),
                pair=r.pair_label,
                submission=r.submission,
            )
        )
    for r in found.others:
        say(
            tr(
                "{group}, {day}: {trees} went to {other}, where the order is for {consignee} [{submission}].",
                group=r.group,
                day=r.day,
                trees=_trees(r),
                other=r.consignee,
                consignee=found.consignee,
                submission=r.submission,
            )
        )
    if found.out:
        said = trn(
            "{n} despatch of this order is kept out of the books or waits, so it is not in this: {groups}."
            " `formpack problems` says why.",
            "{n} despatches of this order are kept out of the books or wait, so they are not in this: {groups}."
            " `formpack problems` says why.",
            len(found.out),
            groups=listed(f"{r.group} ({_trees(r)})" for r in found.out),
        )
        say(said)
    if not found.papers and not number and found.leaves:
        say(tr("No paper was printed for it yet: `formpack despatch {order} --print` writes one.", order=found.order))
