from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from formpack.words import listed, many, marked, tr, trn
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    number_of,
    print_json,
    refusals,
    say,
    workspace_at,
)

_CARE = {
    "sheet": "",
    "stake": marked("Stakes may be treated against rot: wear gloves when you handle them."),
    "tree": marked(
        "The empty end behind the line is for the loop round the stem. Close it loosely, and look at it each season: a tight"
        " one cuts into a stem that grows thicker."
    ),
    "passport": "",
}
"""What to be careful of with each kind of sign."""


def signs(
    group: Annotated[list[str] | None, typer.Option(metavar="CODE", help="Of this group; more with --group again.")] = None,
    place: Annotated[str, typer.Option(metavar="CODE", help="Of all groups in this place and what is part of it.")] = "",
    changed: Annotated[bool, typer.Option("--changed", help="Of groups that are not as their last sign says.")] = False,
    new: Annotated[
        int | None,
        typer.Option(parser=number_of("--new", "integer", 1, 5000), metavar="N", help="Issue so many unused codes."),
    ] = None,
    year: Annotated[
        int | None,
        typer.Option(
            parser=number_of("--year", "integer", 2000, 2099),
            metavar="YYYY",
            help="With --new: the year of sowing, by default this one.",
        ),
    ] = None,
    kind: Annotated[
        str, typer.Option(help="`sheet` (half of A4), `stake` (190 x 50 mm), `tree` (190 x 20 mm) or `passport`.")
    ] = "sheet",
    copies: Annotated[
        int, typer.Option(parser=number_of("--copies", "integer", 1, 20_000), metavar="N", help="Print each so many times.")
    ] = 1,
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE.pdf", help="Where to, in place of paper/.")] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print signs of groups with their codes, large and as QR codes: of groups, of a place, of what changed, or new ones."""
    from pipeline import run
    from pipeline.field import passports
    from pipeline.field import signs as field
    from pipeline.findings import Refused
    from pipeline.store import Store

    with refusals():
        if [bool(group), bool(place), changed, new is not None].count(True) != 1:
            raise Refused(tr("Say which signs, in one way: --group CODE, --place CODE, --changed or --new N."))
        if kind not in _CARE:
            raise Refused(tr("--kind {kind}: the kinds are {kinds}.", kind=kind[:60], kinds=", ".join(_CARE)))
        if year is not None and new is None:
            raise Refused(tr("--year goes with --new: it is the year of the codes to issue."))
        if kind == "passport" and not (group or place):
            raise Refused(tr("Plant passports are printed of groups that grow, with --group or --place."))
        if to is not None and to.suffix != ".pdf":
            raise Refused(tr("{file} must end in .pdf.", file=str(to)))
        ws = workspace_at(workspace)
        of_year = year or run.the_day(ws.settings, day_of(as_of)).year
        if new is not None and not 2000 <= of_year <= 2099:
            raise Refused(tr("Codes run from the year 2000 to 2099; name one with --year."))
        if kind == "passport":
            passports.look_at(ws.settings.passport)
        with Store.open(ws.store_file) as store:
            run.prove(store)
            day = run.refresh(store, ws, day_of(as_of), field.TABLES)
            if group:
                found = field.of_groups(store, group)
            elif place:
                found = field.of_place(store, place)
            elif changed:
                found = field.changed(store, kind)
            else:
                found = field.new_groups(store, of_year, new or 0)
            drawn, left_out = [g.sign for g in found], list[str]()
            if kind == "passport":
                drawn, left_out = passports.passports(store, ws.settings.passport, found)
            made = field.print_signs(store, ws, day, kind, drawn, copies, to, new is not None) if drawn else None
    if as_json:
        print_json(
            {
                "file": made and str(made.file),
                "kind": kind,
                "signs": made.signs if made else 0,
                "sheets": made.sheets if made else 0,
                "groups": [{"group_code": s.code} | s.shows for s in drawn],
                "issued": [s.code for s in drawn] if new is not None else [],
                "left_out": left_out,
            }
        )
    else:
        for line in left_out:
            say(line)
        if made is None and changed:
            say(tr("Nothing has changed: every group that stands is as its last sign says."))
        elif made is None:
            say(tr("No passport was printed."))
        else:
            counted = {"signs": many(made.signs, "sign"), "sheets": many(made.sheets, "sheet")}
            said = marked("{signs} on {sheets} of A4: {file}. Print at actual size, not fitted to the page.")
            say(tr(said, file=str(made.file), **counted))
            if new is not None:
                runs = listed(field.serials([s.code for s in drawn]), 6)
                say(
                    trn(
                        "{n} code was issued and will not be issued again: {codes}.",
                        "{n} codes were issued and will not be issued again: {codes}.",
                        len(drawn),
                        codes=runs,
                    )
                )
                say(tr("`formpack signs --group CODE` prints an issued code again."))
            _say_care(kind)
    raise typer.Exit(1 if left_out else 0)


def _say_care(kind: str) -> None:
    if kind == "passport":
        from pipeline.field.passports import ANSWERED_FOR

        say(tr(ANSWERED_FOR))
    said = marked(
        "What lasts outdoors (common practice, no published source): waterproof synthetic paper or laminated sheets, and laser"
        " toner or pigment ink rather than dye ink. Hang a piece out in sun and spray first."
    )
    say(tr(said))
    if _CARE[kind]:
        say(tr(_CARE[kind]))
