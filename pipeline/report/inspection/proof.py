"""The chain of proof: the files that came in by their digests, what was corrected, seals, the verdict of `formpack check`."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formpack.group_code import shown
from formpack.words import listed, many, marked, tr, trn
from pipeline import seals
from pipeline.intake.days import FILES
from pipeline.intake.states import STATE_WORDS
from pipeline.office.audit import Verdict
from pipeline.report.blocks import Block, Cell, Chapter, Column, Head, Says, Table
from pipeline.report.inspection.long import Long, Names
from pipeline.store import Store
from pipeline.workspace import Workspace

DIGESTS = "files.sha256"
_NAMED = 3
"""Places that a proof which fails names."""
_DID = {
    "correct": marked("answer corrected"),
    "uncorrect": marked("correction undone"),
    "accept": marked("finding accepted as it is"),
    "unaccept": marked("acceptance undone"),
    "withdraw": marked("withdrawn"),
    "restore": marked("withdrawal undone"),
}
# what a record is about is told by the books, where these are shown
_CORRECTIONS = """
SELECT c.number, c.made_at, c.made_by, c.kind, c.instance_id, s.form_id, s.group_code, f.name AS file, c.field, c.rule,
    c.old_answer, c.new_answer, c.reason
FROM kept.corrections c LEFT JOIN {} s USING (instance_id)
LEFT JOIN kept.raw_files f ON c.instance_id = 'file:' || f.sha256
ORDER BY c.number
"""
_NO_BOOKS = "(SELECT NULL::VARCHAR AS instance_id, NULL::VARCHAR AS form_id, NULL::VARCHAR AS group_code)"


@dataclass(frozen=True)
class Digests:
    """How many files stand in the list, its own digest, and how many names in it stand for more than one content."""

    files: int
    digest: str
    repeated: int


def line(sha256: str, name: str) -> str:
    r"""A line of a list that `sha256sum -c` reads: the digest, two spaces, the name. GNU Coreutils manual (cksum general
    options): of a name with a backslash, a line feed or a carriage return the line begins with a backslash, and
    each of them is written \\, \n or \r."""
    plain = (name or "").replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return f"{'' if plain == name else chr(92)}{sha256}  {plain}\n"


def write_digests(store: Store, path: Path) -> Digests:
    """Every content that came in, by the name that it was kept under, in the order of names."""
    made, files = hashlib.sha256(), 0
    with path.open("wb") as file:
        for sha, name in store.rows("SELECT sha256, name FROM kept.raw_files ORDER BY name, sha256"):
            said = line(sha, name).encode()
            made.update(said)
            file.write(said)
            files += 1
    repeated = store.value("SELECT count(*) FROM (FROM kept.raw_files SELECT name GROUP BY name HAVING count(*) > 1)")
    return Digests(files, made.hexdigest(), repeated)


def corrections(workspace: Workspace, called: Names, has_books: bool) -> Long:
    """Every record of what people decided; with the form and group that it is about where the books are shown."""
    titles = {name: form.title_spoken for name, form in workspace.forms.items()}

    def row(number: int, at: Any, who: str, kind: str, instance: str, form: str, group: str, file: str, *rest: str) -> Any:
        field, rule, old, new, reason = rest
        about = " ".join(filter(None, (titles.get(form, form), shown(group) if group else None))) or file or instance
        nothing = tr("nothing")
        values = (old or nothing, new or nothing) if kind in ("correct", "uncorrect") else (None, None)
        return (number, at.date(), called.person(who), tr(_DID[kind]), about, field or rule or None, *values, reason)

    columns = [
        Column(tr("number"), "number"),
        Column(tr("day"), "day"),
        Column(tr("by")),
        Column(tr("what")),
        Column(tr("record")),
        Column(tr("question or rule")),
        Column(tr("from")),
        Column(tr("to")),
        Column(tr("reason")),
    ]
    query = _CORRECTIONS.format("submissions" if has_books else _NO_BOOKS)
    return Long("corrections", tr("Every correction, also those undone"), columns, query, row, is_of_period=False)


def _proved(verdict: Verdict | None) -> list[Block]:
    if verdict is None:
        return [Says(tr("Nothing was proved for this report (--unchecked); `formpack check` does it."), "stop")]
    yes, no = tr("yes"), tr("no")
    rows = []
    for _, what, places in verdict.proofs:
        where = listed([tr("not at {place}", place=p) for p in places], _NAMED) if places else None
        rows.append((what, Cell(None, no, is_marked=True) if places else yes, where))
    columns = [Column(tr("what is proved")), Column(tr("holds")), Column(tr("where it does not"))]
    return [
        Says(says(verdict), "stop" if verdict.failing else "plain"),
        Table("proofs", tr("What `formpack check` found"), columns, rows, mark_says=tr("does not hold")),
        *(Says(way) for way in verdict.ways),
    ]


def says(verdict: Verdict | None) -> str:
    """The verdict in a sentence."""
    if verdict is None:
        return tr("Whether records were lost or altered since they came was not proved for this report.")
    if not verdict.failing:
        return trn("{n} proof was made, and it holds.", "{n} proofs were made, and all hold.", len(verdict.proofs))
    return trn(
        "Of {all} proofs {n} does not hold: something is not as it was kept or made.",
        "Of {all} proofs {n} do not hold: something is not as it was kept or made.",
        verdict.failing,
        all=len(verdict.proofs),
    )


def _came_in(store: Store, digests: Digests) -> list[Block]:
    files, first, last = store.rows(f"SELECT count(*), min(received_on), max(received_on) FROM {FILES}")[0]
    if not files:
        return [Says(tr("No file has come in."))]
    when = marked("{files} came in on {last}.") if first == last else marked("{files} came in from {first} to {last}.")
    said: list[Block] = [
        Says(tr(when, files=many(files, "file"), first=first, last=last)),
        Says(
            tr(
                "`files.sha256` has the SHA-256 of each, with its name, as `sha256sum -c` reads it. The SHA-256 of that list is"
                " {digest}. `formpack export DIR` writes the files themselves, each named by its own.",
                digest=digests.digest,
            )
        ),
    ]
    if digests.repeated:
        said.append(
            Says(
                trn(
                    "{n} name stands for more than one file; the list has a line for each of these.",
                    "{n} names stand for more than one file; the list has a line for each of these.",
                    digests.repeated,
                ),
                "soft",
            )
        )
    return said


def chapter(
    store: Store, digests: Digests, verdict: Verdict | None, corrected: Long, has_books: bool, is_page: bool
) -> Chapter:
    """What came in, what was corrected, and what is proved."""
    blocks: list[Block] = [Head(tr("What came in")), *_came_in(store, digests)]
    if has_books:
        states = dict(store.rows("SELECT state, count(*) FROM submissions GROUP BY state"))
        columns = [Column(tr("state")), Column(tr("submissions"), "number")]
        rows = [(tr(word), states.get(state, 0)) for state, word in STATE_WORDS.items()]
        table = Table("states", tr("Submissions by state"), columns, rows, (tr("together"), sum(states.values())))
        blocks += [table] if states else []
    blocks.append(Head(tr("What was corrected")))
    if corrected.count(store):
        lead = tr("What came in is never changed: a correction is a record of its own beside it, whatever the period.")
        blocks += [Says(lead, "lead"), *corrected.blocks(store, is_page)]
    else:
        blocks.append(Says(tr("Nothing was corrected, accepted or withdrawn by hand.")))
    blocks += [Head(tr("What is proved")), *_proved(verdict)]
    blocks.append(
        Says(
            tr(
                "The last seal is {seal}. Each change of what is kept adds a seal, made from the one before. Written down"
                " elsewhere, it shows later, by `formpack check --seal`, whether anything was cut off. Seals have no secret:"
                " who may write in the store could make a new chain, and only a seal that was written down shows that.",
                seal=seals.shown(store.connection),
            )
        )
    )
    return Chapter("proof", tr("Chain of proof"), blocks)
