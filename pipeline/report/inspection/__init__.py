"""The records that published rules ask an inspector to see, with what they lack and the chain of proof: records as they were
kept, no certificate."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from formpack.words import marked, number, tr, trn
from pipeline.office.audit import Verdict
from pipeline.outputs import together
from pipeline.report.blocks import Block, Chapter, Figure, Figures, Item, Items, Says
from pipeline.report.inspection import asked, gaps, proof, records, source
from pipeline.report.inspection.long import Long, Names, Period, names
from pipeline.report.inspection.proof import Digests
from pipeline.store import Store
from pipeline.workspace import Workspace

_FIRST = 5
"""Kinds of gaps that the first screen names."""


@dataclass(frozen=True)
class Inspected:
    """The files that were written, the gaps by kind (none where the books are not shown), and the list of digests."""

    files: list[Path]
    gaps: dict[str, list[gaps.Gap]]
    digests: Digests
    has_books: bool

    @property
    def many(self) -> int:
        return sum(len(of) for of in self.gaps.values())


def _version() -> str:
    with contextlib.suppress(metadata.PackageNotFoundError):
        return metadata.version("formpack")
    return tr("of no known version")


def _covers(period: Period, day: dt.date) -> str:
    covers = marked("It covers all that was kept, until {until}.")
    if period.since is not None:
        covers = marked("It covers {since} to {until}. What stands, sources, corrections and files are shown whole.")
    elif period.until < day:
        covers = marked("It covers all until {until}. What stands, sources, corrections and files are shown whole.")
    return tr(covers, since=period.since, until=period.until)


def _what(name: str, period: Period, day: dt.date) -> list[Block]:
    """What this is, and what it is not."""
    return [
        Says(
            tr(
                "Records of {name}, shown as they were kept, by formpack {version}. {covers}",
                name=name,
                version=_version(),
                covers=_covers(period, day),
            )
        ),
        Says(
            tr(
                "This is no certificate, and it promises no compliance with any rule or scheme. Texts of law change, and the"
                " version in force counts; whether these records are enough is for who inspects to say."
            )
        ),
    ]


def _first(workspace: Workspace, day: dt.date, period: Period, found: Inspected, verdict: Verdict | None) -> Chapter:
    """The first screen: what this is, the verdict, and what lacks most."""
    figures = [Figure(tr("files that came in"), number(found.digests.files))]
    if found.has_books:
        figures.append(Figure(tr("gaps in the records"), number(found.many)))
    if verdict is not None:
        holding = tr("{n} of {all}", n=len(verdict.proofs) - verdict.failing, all=len(verdict.proofs))
        figures.append(Figure(tr("proofs that hold"), holding))
    is_proved = verdict is not None and not verdict.failing
    blocks: list[Block] = [
        *_what(workspace.settings.name, period, day),
        Figures(figures),
        Says(proof.says(verdict), "plain", "#proof") if is_proved else Says(proof.says(verdict), "stop"),
    ]
    items = [
        Item(
            trn("{what}, {n} time", "{what}, {n} times", len(of), what=tr(gaps.KINDS[kind][0])),
            "#gaps",
            "" if (plants := gaps.plants_of(of)) is None else trn("{n} plant or bud", "{n} plants or buds", plants),
        )
        for kind, of in list(found.gaps.items())[:_FIRST]
    ]
    if not found.has_books:
        return Chapter("first", tr("What is not shown"), [*blocks, Says(not_shown(), "stop")])
    return Chapter("first", tr("Gaps, the largest first"), [*blocks, Items(items) if items else Says(gaps.nothing_lacks())])


def not_shown() -> str:
    """Why nothing of the books is shown."""
    return tr("What is kept or was made of it has been altered, so nothing of the books is shown here.")


def _long(workspace: Workspace, called: Names) -> dict[str, Long]:
    made = (records.propagation(called), records.standing(called), records.movements(called), records.deliveries(called))
    of_places = (
        records.readings(called),
        records.treatments(workspace, called),
        records.scouting(called),
        records.sterilised(workspace, called),
    )
    return {long.name: long for long in (*made, *of_places, records.inspections(workspace, called))}


def _of_the_books(
    store: Store,
    workspace: Workspace,
    period: Period,
    called: Names,
    long: dict[str, Long],
    of: Sequence[gaps.Gap],
    is_page: bool,
) -> list[Chapter]:
    """The chapters of records, in the order of a plant's life, and what they lack."""
    lots = records.chapter_of(
        *(store, long["propagation"], tr("Propagation")),
        tr("Each lot, by the last day on which its buds were set, with what was read of them."),
        tr("No buds were set in this period."),
        is_page,
    )
    standing = records.chapter_of(
        *(store, long["standing"], tr("What stands")),
        tr("Every group that stands on the day of this report, whatever the period."),
        tr("Nothing stands."),
        is_page,
    )
    moved = records.chapter_of(
        *(store, long["movements"], tr("Movements")),
        tr("Openings, moves between groups, and groups that went to another place, within the nursery."),
        tr("Nothing was opened or moved in this period."),
        is_page,
    )
    sent = records.chapter_of(
        *(store, long["deliveries"], tr("Deliveries")),
        tr("Each delivery, with the order and who received it; the consignee of the order where the record has none."),
        tr("Nothing was delivered in this period."),
        is_page,
    )
    done = records.chapter_of(
        *(store, long["inspections"], tr("Inspections and counts")),
        tr("Accepted records: of all forms by month, then one by one those that say what was counted, culled, lost or read."),
        tr("No inspection or count is recorded in this period."),
        is_page,
        records.by_month(store, workspace, period, is_page),
    )
    read = records.chapter_of(
        *(store, long["readings"], tr("Readings and feeding")),
        tr("What instruments showed at each place, beside the nursery's own limits as they are now."),
        tr("No reading is recorded in this period."),
        is_page,
    )
    treated = records.chapter_of(
        *(store, long["treatments"], tr("Treatments")),
        tr("Accepted records of products that were applied, as they were filled in; the label and local rules decide."),
        tr("No treatment is recorded in this period."),
        is_page,
    )
    scouted = records.chapter_of(
        *(store, long["scouting"], tr("Scouting")),
        tr("Accepted records of plants examined for a pest or symptom, those that found none too."),
        tr("No scouting is recorded in this period."),
        is_page,
    )
    standing = Chapter(standing.name, standing.title, [*standing.blocks, *records.mixed(store, called)])
    moved = Chapter(moved.name, moved.title, [*moved.blocks, *records.followed(store, period, is_page)])
    clean = []
    if long["sterilised"].count(store):
        lead = tr("Each record of what was sterilised or disinfected: trays, growing medium, knives and shears.")
        clean = [Chapter("sterilised", tr("Hygiene"), [Says(lead, "lead"), *long["sterilised"].blocks(store, is_page)])]
    losses = records.losses(store, workspace, period)
    lacks = gaps.chapter([*of], is_page)
    where = source.chapter(store, workspace, called, is_page)
    return [where, lots, standing, moved, sent, losses, treated, scouted, *clean, done, read, lacks]


def write_inspection(
    store: Store, workspace: Workspace, day: dt.date, period: Period, verdict: Verdict | None, has_books: bool = True
) -> Inspected:
    """Write reports/inspection/, all of it or nothing: the page, the workbook, the digests of all files that came in, and CSV
    of what may be long. `verdict` is what was proved, None where nothing was. Without `has_books` (they were altered) nothing
    of the books is shown. Raises Refused."""
    from pipeline.report.page import page_html
    from pipeline.report.workbook import write_workbook

    folder, name = workspace.reports / "inspection", workspace.settings.name
    page, book, digests_file = folder / "inspection.html", folder / "inspection.xlsx", folder / proof.DIGESTS
    called = names(store) if has_books else Names({}, {}, {}, {}, {}, {})
    books = _long(workspace, called)
    corrected = proof.corrections(workspace, called, has_books)
    shown = [*(books.values() if has_books else ()), corrected]
    for long in shown:
        long.take(store, period)
    lacking = gaps.gather_gaps(store, called, period) if has_books else []
    with together(workspace.folder) as files:
        digests = proof.write_digests(store, files.place(digests_file))
        written = [page, book, digests_file]
        for long in (*books.values(), corrected):
            path = folder / f"{long.name}.csv"
            if long in shown:
                long.write(store, files.place(path))
                written.append(path)
            else:
                files.drop(path)
        found = Inspected(written, gaps.by_kind(lacking), digests, has_books)
        first = _first(workspace, day, period, found, verdict)

        def chapters(is_page: bool) -> list[Chapter]:
            of = _of_the_books(store, workspace, period, called, books, lacking, is_page) if has_books else []
            of = [*of, proof.chapter(store, digests, verdict, corrected, has_books, is_page)]
            return [asked.chapter(workspace.settings, {c.name: c.title for c in of}), *of]

        text = page_html(name, day, first, chapters(is_page=True), about=tr("Records for an inspection"))
        files.place(page).write_text(text, encoding="utf-8")
        write_workbook(None, files.place(book), first, chapters(is_page=False))
    return found
