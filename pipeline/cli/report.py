from __future__ import annotations

import datetime as dt
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import marked, tr, trn
from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals, say, workspace_at

if TYPE_CHECKING:
    from pipeline.office.audit import Verdict
    from pipeline.report.inspection import Inspected
    from pipeline.workspace import Workspace


def report(
    for_inspection: Annotated[
        bool, typer.Option("--for-inspection", help="Write what an inspector asks to see, into reports/inspection/.")
    ] = False,
    since: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="For an inspection: only work of this day or later.")
    ] = None,
    until: Annotated[
        str | None, typer.Option(metavar="DATE", help="For an inspection: only work of this day or earlier.")
    ] = None,
    unchecked: Annotated[
        bool, typer.Option("--unchecked", help="For an inspection: leave out the proofs of `formpack check`, which take long.")
    ] = False,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the report (a page to read and print), the workbook and the tables into reports/."""
    from pipeline.findings import Refused

    with refusals():
        if not for_inspection and (since or until or unchecked):
            raise Refused(tr("--from, --until and --unchecked go with --for-inspection."))
        days = day_of(since, "--from"), day_of(until, "--until"), day_of(as_of)
        ws = workspace_at(workspace)
        if for_inspection:
            found, verdict = _for_inspection(ws, *days, unchecked)
    if for_inspection:
        _say_inspected(found, verdict, as_json)
    else:
        _report(ws, days[2], as_json)


def _report(ws: Workspace, as_of: dt.date | None, as_json: bool) -> None:
    from pipeline import run
    from pipeline.report import write_report
    from pipeline.report.figures import gather

    with refusals(), run.opened(ws, as_of=as_of, is_published=True) as (store, _):
        written = write_report(store, ws)
        figures = asdict(gather(store, ws)) if as_json else {}
        to_look_at = store.value("SELECT count(*) FROM problems") + store.value(
            "SELECT count(*) FROM standing WHERE state = 'impossible'"
        )
    if as_json:
        print_json({"files": [str(p) for p in written], "to_look_at": to_look_at, "figures": figures})
    else:
        say(tr("Written: {files}.", files=", ".join(str(p) for p in written)))
        if to_look_at:
            say(
                trn(
                    "{n} thing in it needs a person to look at it.",
                    "{n} things in it need a person to look at them.",
                    to_look_at,
                )
            )
    raise typer.Exit(1 if to_look_at else 0)


def _for_inspection(
    ws: Workspace, since: dt.date | None, until: dt.date | None, as_of: dt.date | None, unchecked: bool
) -> tuple[Inspected, Verdict | None]:
    """Prove what there is and write it; where it was altered so that the books cannot be used, without them. Raises
    Refused."""
    from pipeline import run
    from pipeline.cli.check import proved
    from pipeline.findings import Refused
    from pipeline.report.inspection import write_inspection
    from pipeline.report.inspection.long import Period
    from pipeline.store import Store

    day = run.the_day(ws.settings, as_of)
    period = Period(since, min(until or day, day))
    if since and since > period.until:
        said = marked("--from {since} is after {until}, the last day that the report would cover.")
        raise Refused(tr(said, since=since.isoformat(), until=period.until.isoformat()))
    verdict = None if unchecked else proved(ws, as_of=day)
    try:
        with run.opened(ws, as_of=day, is_published=True) as (store, _):
            return write_inspection(store, ws, day, period, verdict), verdict
    except Refused:
        if not (verdict and verdict.ways):
            raise
    with Store.open(ws.store_file, make=False, is_read_only=True) as store:
        return write_inspection(store, ws, day, period, verdict, has_books=False), verdict


def _say_inspected(found: Inspected, verdict: Verdict | None, as_json: bool) -> None:
    from pipeline.report.inspection import not_shown
    from pipeline.report.inspection.proof import says

    if as_json:
        proofs = None if verdict is None else {name: places for name, _, places in verdict.proofs}
        listed = {"count": found.digests.files, "sha256": found.digests.digest}
        numbers = {kind: len(of) for kind, of in found.gaps.items()} if found.has_books else None
        print_json({"files": [str(p) for p in found.files], "gaps": numbers, "fails_at": proofs, "came_in": listed})
    else:
        say(tr("Written: {files}.", files=", ".join(str(p) for p in found.files)))
        lists = trn("It lists {n} gap in the records.", "It lists {n} gaps in the records.", found.many)
        say(lists if found.has_books else not_shown())
        say(says(verdict))
    raise typer.Exit(1 if found.many or (verdict and verdict.failing) else 0)
