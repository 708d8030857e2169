from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import marked, tr, trn
from pipeline.cli.frame import JsonOption, WorkspaceOption, print_json, refusals, say, workspace_at

if TYPE_CHECKING:
    from pipeline.office.audit import Proof, Verdict
    from pipeline.store import Store
    from pipeline.workspace import Workspace

AS_IT_IS = marked(
    "Where there is none: `formpack export DIR`, then `formpack rebuild --from DIR --unproved --workspace NEW` takes what there"
    " is as it is."
)
_SEAL = "7-9f347d5110e4"
_NOT_AGAIN = marked("What is kept cannot be made again.")
_AS_MADE = marked("every table is as it was made from what is kept")
_ALIKE = marked("made again from what was kept, every table comes out the same")


def before_the_books(store: Store, seal: str) -> tuple[list[Proof], list[str]]:
    """The proofs of what is kept and of the tables as they stand, and the ways out where any fails."""
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.office.audit import proofs_of_kept
    from pipeline.stages import AGAIN
    from pipeline.store import BACK

    found, ways = proofs_of_kept(store, seal), []
    if any(places for _, _, places in found):
        ways.append(" ".join(map(tr, (_NOT_AGAIN, BACK, AS_IT_IS))))
    try:
        altered = run.damaged(store)
    except Refused:
        altered = [tr("work.state, where it is noted how tables were made")]
    ways += [tr(AGAIN)] if altered else []
    return [*found, ("made_whole", tr(_AS_MADE), altered)], ways


def proved(workspace: Workspace, seal: str = "", as_of: dt.date | None = None) -> Verdict:
    """Every proof there is, with the tables as of a day. Raises Refused."""
    from pipeline import run, seals
    from pipeline.office.audit import Verdict, proofs
    from pipeline.store import Store

    found: list[Proof] = []
    ways: list[str] = []
    workspace.settings  # noqa: B018
    with Store.open(workspace.store_file, make=False, is_read_only=True) as store:
        if store.is_current:  # a former one is made anew from what is kept
            found, ways = before_the_books(store, seal)
    if ways:  # of what is damaged the books say nothing, and to bring them up would hide it
        return Verdict(found, ways, "")
    with run.opened(workspace, as_of=as_of) as (store, _):
        found += proofs(store)[bool(found) :]
        found.append(("rebuilds_equal", tr(_ALIKE), run.differs_when_rebuilt(store, workspace)))
        return Verdict(found, [], seals.shown(store.connection))


def check(
    workspace: WorkspaceOption = Path(),
    seal: Annotated[str, typer.Option("--seal", metavar="SEAL", help="A seal that was written down before.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Prove that nothing was lost or altered, that every move is in both groups, and every plant accounted for."""
    if seal and not re.fullmatch(r"[0-9]+-[0-9a-f]{12,}", seal):
        say(
            tr(
                "--seal {seal} is no seal; write it as `formpack check` said it, such as {example}.",
                seal=seal[:60],
                example=_SEAL,
            ),
            err=True,
        )
        raise typer.Exit(2)
    with refusals():
        verdict = proved(workspace_at(workspace), seal)
    found, ways, last = verdict.proofs, verdict.ways, verdict.last_seal
    if as_json:
        print_json({name: {"proves": tr(what), "fails_at": places} for name, what, places in found} | {"last_seal": last})
    else:
        yes, no = tr("yes"), tr("no")
        for _, what, places in found:
            say(f"{(no if places else yes).ljust(max(len(no), len(yes)))}  {tr(what)}")
            for place in places[:5]:
                say("       " + tr("not at {place}", place=place))
            if len(places) > 5:
                more = trn(
                    "nor at {n} more place; --json names it", "nor at {n} more places; --json names them", len(places) - 5
                )
                say(f"       {more}")
        for way in ways:
            say(way)
        if ways:
            say(tr("The books are looked at when that is done."))
        else:
            said = tr("The last seal is {seal}. Written down, it shows later (--seal) whether anything was cut off.", seal=last)
            say(said)
    raise typer.Exit(1 if verdict.failing else 0)
