from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import listed, many, marked, number, percent, tr, trn
from pipeline.cli.frame import AsOfOption, Bar, JsonOption, day_of, print_json, refusals, say

if TYPE_CHECKING:
    from pipeline.body.combined import Combined

_ENGINES = ("duckdb", "spark")


def combine(
    folders: Annotated[
        list[Path], typer.Argument(help="Folders of hand-overs, or of nurseries as they are: nursery.toml, lists/, inbox/.")
    ],
    workspace: Annotated[
        Path, typer.Option("--workspace", help="The body's own folder: a new one, or of an earlier combining.")
    ],
    engine: Annotated[
        str, typer.Option("--engine", metavar="ENGINE", help="duckdb, on this machine; or spark, here or on a cluster.")
    ] = "duckdb",
    master: Annotated[
        str, typer.Option("--master", metavar="URL", help="Where Spark is, in its own words: local[2], spark://HOST:7077.")
    ] = "",
    codes: Annotated[
        Path | None, typer.Option("--codes", metavar="FILE", help="A CSV of what codes of rootstocks and scions mean.")
    ] = None,
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put many nurseries together, for a body that gathers them: one store, one page. Nurseries are compared fairly."""
    from pipeline.body.codes import read_codes
    from pipeline.body.combined import combine as put_together
    from pipeline.findings import Refused

    with refusals():
        if engine not in _ENGINES:
            said = marked("--engine {engine}: the engines are {known}.")
            raise Refused(tr(said, engine=engine[:60], known=", ".join(_ENGINES)))
        if master and engine != "spark":
            raise Refused(tr("--master goes with --engine spark."))
        day = day_of(as_of)
        means = read_codes(codes) if codes else ()
    with refusals(), Bar() as bar:
        done = put_together(folders, workspace, engine, master or "local[*]", day, bar, means)
    if as_json:
        _print(done)
    else:
        _say(done, workspace)
    raise typer.Exit(1 if done.left_out or any(r["files_not_read"] for r in done.rows["nurseries"]) else 0)


def _print(done: Combined) -> None:
    left = [{"nursery": one.nursery, "place": one.place, "why": one.why} for one in done.left_out]
    again = sum(one.is_as_before for one in done.found)
    taken = len(done.found) - len(left)
    print_json(
        {
            "files": [str(p) for p in done.files],
            "taken_in": taken,
            "as_before": again,
            "left_out": left,
            "not_given": done.not_given,
            "tables": done.rows,
        }
    )


def _say(done: Combined, workspace: Path) -> None:
    from pipeline.body.page import not_read

    rows = done.rows
    inside = [r for r in rows["nurseries"] if not r["why"]]
    again = sum(one.is_as_before for one in done.found)
    said = trn(
        "{n} nursery is in {folder}, with {submissions}.",
        "{n} nurseries are in {folder}, with {submissions}.",
        len(inside),
        folder=str(workspace),
        submissions=many(sum(r["submissions"] for r in inside), "submission"),
    )
    if again:
        said = " ".join((said, trn("{n} was as before, and not done again.", "{n} were as before, and not done again.", again)))
    say(said)
    if done.not_given:
        say(
            trn(
                "{n} nursery was in this before and was not given now, so it is in none of it: {nurseries}.",
                "{n} nurseries were in this before and were not given now, so they are in none of it: {nurseries}.",
                len(done.not_given),
                nurseries=listed(done.not_given, 8),
            )
        )
    for one in done.left_out:
        say(tr("{nursery} is left out: {why}. ({place})", nursery=one.nursery, why=one.why, place=one.place))
    for text in not_read(inside):
        say(text)
    whole = next((r for r in rows["takes"] if r["by"] == "all" and r["read"]), None)
    if whole:
        say(
            trn(
                "Of {n} bud read, {taken} took ({share}).",
                "Of {n} buds read, {taken} took ({share}).",
                whole["read"],
                taken=number(whole["taken"]),
                share=percent(whole["take_rate"]),
            )
        )
    odd = sorted(
        {r["nursery"] for name in ("nursery_takes", "nursery_losses") for r in rows[name] if r["flag"] in ("better", "worse")}
    )
    if odd:
        say(trn("{n} nursery is out of line.", "{n} nurseries are out of line.", len(odd)))
    say(tr("Open {page} in a browser.", page=str(workspace / done.page.parent.name / done.page.name)))
