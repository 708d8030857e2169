"""Where plants are lost: by stage to the plant, by cause, by age, and off-types."""

from __future__ import annotations

from typing import Any

from formpack.words import number, percent, tr, trn
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Says, Table, interval, worked_out
from pipeline.report.chapters.seed import ratio
from pipeline.report.charts.lost import causes, curve, ladder
from pipeline.report.figures import STEP_WORDS, VERDICTS, Figures, FromSeed, Point, Test
from pipeline.report.stock import STAGE_WORDS, in_stage


def _from_to(low: float | None, high: float | None) -> tuple[Any, Any]:
    return (low, high) if low is not None else (Cell(None, tr("too little to tell")), None)


def _rungs(f: Figures) -> Table:
    columns = (
        Column(tr("stage")),
        Column(tr("lost in it, recorded"), "number"),
        Column(tr("gone without a record"), "number"),
        Column(tr("both, of all lifted"), "share"),
        Column(
            tr("less for other reasons"),
            "number",
            tr("Less stands for other reasons, such as since the last count; below 0 more stands."),
        ),
        Column(tr("despatched"), "number"),
        Column(tr("in the books now"), "number"),
        Column(tr("standing by the counts"), "number"),
    )
    rows: list[tuple[Any, ...]] = [
        (in_stage(r.stage), r.lost, r.not_recorded, r.lost_share, r.otherwise, r.despatched, r.in_the_books, r.standing)
        for r in f.ladder
    ]
    total = (tr("together"), *(sum(row[i] for row in rows) for i in range(1, len(columns))))
    caption = trn("Where the {n} seedling ever lifted is", "Where all {n} seedlings ever lifted are", f.opened)
    return Table("ladder_now", caption, columns, rows, total)


def _from_seed(of: FromSeed) -> Table:
    """The first steps, of the same seed."""
    columns = (
        Column(tr("step")),
        Column(tr("number"), "number"),
        Column(tr("for each of the step before"), "decimal", tr("Above 1 where seeds gave several.")),
        Column(tr("for each seed"), "decimal"),
    )
    steps = [(tr("seeds sown"), of.seeds), (tr("seedlings that came up"), of.emerged)]
    steps += [(tr("seedlings lifted so far"), of.lifted), (tr("seedlings planted"), of.planted)]
    before = [None, *(n for _, n in steps)]
    rows = [(step, n, ratio(n / b if b else None), ratio(n / of.seeds)) for (step, n), b in zip(steps, before, strict=False)]
    caption = trn(
        "From the seed to the tray, of {n} sowing that groups were opened from",
        "From the seed to the tray, of {n} sowings that groups were opened from",
        of.sowings,
    )
    return Table("from_seed", caption, columns, rows)


def _reconciled(f: Figures) -> Says | None:
    """What ties the sums of the table above to those of what stands."""
    total, book, standing = f.stock.total, sum(r.in_the_books for r in f.ladder), sum(r.standing for r in f.ladder)
    said = []
    if standing != total.estimate:
        said.append(
            tr(
                "{sum} are the likeliest numbers of all groups added up; {stands} are to be expected of them together, as is"
                " said of what stands.",
                sum=standing,
                stands=total.estimate,
            )
        )
    if book != total.book:
        said.append(
            tr(
                "Of {book} in the books {gone} are left in groups that are gone by their counts; the others have {rest}.",
                book=book,
                gone=book - total.book,
                rest=total.book,
            )
        )
    return Says(" ".join(said)) if said else None


def _causes(f: Figures) -> list[Block]:
    if not f.causes:
        return [Says(tr("No loss has been recorded."))]
    says = tr("Plants lost by cause, and by the stage they were in.")
    columns = (Column(tr("cause")), Column(tr("plants lost"), "number"), Column(tr("share of all losses"), "share"))
    table = Table("causes", tr("Plants lost by cause"), columns, [(c.label, c.lost, c.share) for c in f.causes], plotted=(1,))
    lead = tr("All plants taken out, dead or lost, and those that the counts show to be gone without a record.")
    return [Says(lead, "lead"), Drawing(causes(f.causes, STAGE_WORDS, says), says), Fold(tr("Causes as a table"), [table])]


def _by_stage(f: Figures) -> Fold:
    says = tr("Share of lifted seedlings left after each stage; pale is what the stage lost.")
    columns = (
        Column(tr("while")),
        Column(tr("came into it"), "number"),
        Column(tr("lost in it"), "number"),
        Column(tr("of these recorded"), "number"),
        Column(tr("sold from it"), "number"),
        Column(tr("kept so far"), "share"),
        *interval("share"),
        Column(tr("by the records alone"), "share"),
    )
    rows = [
        (in_stage(s.stage), s.at_risk, s.lost, s.recorded, s.left, s.survival, *_from_to(s.low, s.high), s.by_records)
        for s in f.steps
    ]
    lead = tr("Of the plants that came into a stage and are through with it by now, how many were not lost in it.")
    how = tr(
        "Each plant is followed once, wherever it was moved. What the counts show to be gone without a record is lost too; the"
        " last column is by the records alone. The intervals let groups differ: they are what leaving out one group, with those"
        " split off it, at a time makes of it; and they are wider by what is not known of the plants nobody recorded."
    )
    return Fold(
        tr("Stage by stage"),
        [
            Says(lead, "lead"),
            Drawing(ladder(f.steps, STEP_WORDS, says), says),
            Table("stage_by_stage", tr("Plants kept stage by stage, of those that are through with the stage"), columns, rows),
            Says(how, "soft"),
        ],
    )


def _tested(t: Test) -> str:
    whose = tr("Rootstocks") if t.by == "rootstock" else tr("Scions")
    clock = tr("days from opening") if t.clock == "days_from_opening" else tr("days from budding")
    chance = tr("below {p}", p=number(0.001, 3)) if t.p_value < 0.001 else number(t.p_value, 3)
    given = {"whose": whose, "clock": clock, "levels": t.levels, "groups": t.groups, "p": chance}
    if t.p_value < 0.05:
        return tr(
            "{whose}, {clock}: they lose plants differently (log-rank with groups counting as one each, {levels} levels,"
            " {groups} groups, p {p}).",
            **given,
        )
    return tr(
        "{whose}, {clock}: no difference between them is shown (log-rank with groups counting as one each, {levels} levels,"
        " {groups} groups, p {p}).",
        **given,
    )


def _ages(name: str, caption: str, ages: list[tuple[int, Point | None]]) -> Table:
    columns = (
        Column(tr("day"), "number"),
        Column(tr("plants then"), "number"),
        Column(tr("left"), "share"),
        *interval("share"),
        Column(tr("by the records alone"), "share"),
    )
    rows = [(day, p.at_risk, p.survival, *_from_to(p.low, p.high), p.by_records) for day, p in ages if p]
    return Table(name, caption, columns, rows)


def _by_age(f: Figures) -> Fold:
    opening, budding = tr("days from opening"), tr("days from budding")
    says = tr("Share of plants left by days from opening.")
    blocks: list[Block] = [Drawing(curve(f.from_opening, opening, says), says)]
    from_opening, from_budding = [(day, p) for day, p, _ in f.by_age], [(day, p) for day, _, p in f.by_age]
    if f.from_budding:
        says = tr("Share of plants left by days from budding.")
        blocks.append(Drawing(curve(f.from_budding, budding, says), says))
    if any(p for _, p in from_opening):
        blocks.append(_ages("left_from_opening", tr("Plants left by days from opening"), from_opening))
    if any(p for _, p in from_budding):
        blocks.append(_ages("left_from_budding", tr("Plants left by days from budding"), from_budding))
        if f.budded_share is not None:
            whole = tr(
                "From budding: what stood in groups whose first buds were all set within a week, {share} of all first buds.",
                share=percent(f.budded_share),
            )
            blocks.append(Says(whole, "soft"))
    blocks += [Says(_tested(t), "soft") for t in f.tests]
    how = tr(
        "A loss found at a visit happened since the visit before, and is dated at the middle of that time; what went without"
        " a record is spread over the time between the two counts that show it. What was despatched counts until then, what"
        " stands until its group was last seen; what was moved is followed. The curves end where fewer than {n} plants are"
        " left to look at.",
        n=f.least_at_risk,
    )
    return Fold(tr("By age"), [*blocks, Says(how, "soft")])


def _off_types(f: Figures) -> list[Block]:
    columns = (
        Column(tr("rootstock")),
        Column(tr("lifted"), "number"),
        Column(tr("off-type"), "number"),
        Column(tr("share"), "share"),
        *interval("share"),
        Column(tr("published from"), "share"),
        Column(tr("published to"), "share"),
        Column(tr("verdict")),
        Column(tr("source")),
    )
    rows: list[tuple[Any, ...]] = []
    odd = set()
    for place, o in enumerate(f.off_types):
        published = (o.published_low, o.published_high, tr(VERDICTS[o.verdict]) if o.verdict else "", o.source)
        rows.append((o.label, o.lifted, o.off_type, o.share, o.low, o.high, *published))
        if o.verdict not in ("", "as published"):
            odd.add(place)
    table = Table(
        "off_types",
        tr("Off-type culls of the seedlings lifted, in groups that have left the trays"),
        columns,
        rows,
        marked=frozenset(odd),
    )
    how = tr(
        "Groups that have left the trays, beside the range published for the rootstock where its list has one. Ranges differ"
        " with the seed lot and with who looks; it is said that there are more or fewer than published only where the whole"
        " interval lies outside the range."
    )
    return [table, Says(how, "soft")]


def chapter(f: Figures) -> Chapter:
    """Where plants are lost."""
    blocks: list[Block] = [_from_seed(f.from_seed)] if f.from_seed else []
    if f.ladder and f.opened:
        blocks.append(_rungs(f))
        if said := _reconciled(f):
            blocks.append(said)
    blocks += _causes(f)
    if f.steps:
        blocks.append(_by_stage(f))
    if f.from_opening:
        blocks.append(_by_age(f))
    if f.off_types:
        blocks.append(Fold(tr("Off-types"), _off_types(f)))
    if f.ladder and f.opened:
        blocks.append(
            worked_out(
                tr(
                    "By the book: lost while in a stage, despatched, or still in the books, by the stage their group has"
                    " reached (groups that are gone by their counts too, where the book has plants over)."
                ),
                tr(
                    "By the counts: what went without a record is told apart, then what stands less for other reasons, such as"
                    " since the last count; below 0 are plants that stand though the book lacks them. The last column is the"
                    " likeliest numbers of all groups."
                ),
            )
        )
    return Chapter("lost", tr("Where plants are lost"), blocks)
