"""The page and the workbook of a body: who is in this, what stands out, how nurseries compare, what all have together."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from formpack.catalog import causes, text_in
from formpack.words import listed, many, number, percent, tr, trn
from pipeline.body.sources import STORE
from pipeline.outputs import Batch
from pipeline.rates.losses import NOT_RECORDED
from pipeline.rates.takes import LEAST_BUDS
from pipeline.report.blocks import (
    Block,
    Chapter,
    Column,
    Drawing,
    Figure,
    Figures,
    Fold,
    Item,
    Items,
    Says,
    Table,
    interval,
    worked_out,
)
from pipeline.report.chapters.seed import ratio
from pipeline.report.charts.nurseries import Row, on_ratios, on_shares
from pipeline.report.charts.take import intervals
from pipeline.report.figures import Share, flag_words
from pipeline.report.stock import in_stage

PAGE, BOOK = "body-report.html", "body-report.xlsx"
_SHOWN, _DRAWN, _LISTED = 8, 22, 500
"""Things to do of the first screen, rows of a drawing with names, and nurseries or teams that a table of the page lists."""
_OLD_DAYS = 92
"""So much older than the latest a hand-over may be before it is told; common practice, no published source."""
_OUT = ("better", "worse")
Rows = list[dict[str, Any]]


def write_page(tables: Mapping[str, Any], folder: Path, files: Batch) -> list[Path]:
    """Write the page and the workbook into `folder`, with what else is written."""
    from pipeline.report.page import page_html
    from pipeline.report.workbook import write_workbook

    rows: dict[str, Rows] = {name: table.to_pylist() for name, table in tables.items()}
    day = max((row["day"] for row in rows["nurseries"] if row["day"]), default=dt.date.today())
    first, chapters = _first(rows), [c for c in (make(rows) for make in _CHAPTERS) if c]
    page, book = folder / PAGE, folder / BOOK
    files.place(page).write_text(page_html(tr("Nurseries together"), day, first, chapters), encoding="utf-8")
    write_workbook(None, files.place(book), first, chapters)
    return [page, book]


# -- the first screen


def _first(rows: dict[str, Rows]) -> Chapter:
    inside, outside = _parted(rows)
    figures = [
        Figure(
            tr("Nurseries in this"),
            number(len(inside)),
            changes=[trn("{n} left out", "{n} left out", len(outside))] if outside else (),
        )
    ]
    if inside:
        plants, doubt = sum(row["plants"] for row in inside), [math.hypot(*(row["plants"] - row["low"] for row in inside))]
        doubt.append(math.hypot(*(row["high"] - row["plants"] for row in inside)))
        figures.append(Figure(tr("Plants that stand"), number(plants), _range(plants - doubt[0], plants + doubt[1])))
    if whole := _whole(rows["takes"]):
        figures.append(Figure(tr("Buds that took"), percent(whole["take_rate"]), _shares_of(whole)))
    if through := [row for row in rows["survival"] if row["by"] == "all" and row["clock"] == "stage"]:
        figures.append(
            Figure(tr("Seedlings that come through all stages"), percent(through[-1]["survival"]), _shares_of(through[-1]))
        )
    items = [
        *_left_out(outside),
        *(Item(text, "#nurseries", tone="stop") for text in not_read(inside)),
        *_old(inside),
        *_stands_out(rows),
    ]
    said: list[Block] = [Figures(figures)]
    if items:
        said.append(Items(items[:_SHOWN]))
        if more := items[_SHOWN:]:
            said.append(Fold(trn("{n} more", "{n} more", len(more)), [Items(more, start=_SHOWN + 1)]))
    else:
        said.append(Says(_nothing(rows)))
    return Chapter("first", tr("What stands out"), said)


def _nothing(rows: dict[str, Rows]) -> str:
    """What is said where nothing is to be looked at: that none is worse, or that none can be told."""
    takes, losses = rows["nursery_takes"], rows["nursery_losses"]
    if better := sorted({row["nursery"] for row in (*takes, *losses) if row["flag"] == "better"}):
        return tr("No nursery is worse than the others by more than chance. Better: {nurseries}.", nurseries=listed(better, 3))
    if any(row["adjusted"] is not None for row in takes) or any(row["ratio_low"] is not None for row in losses):
        return tr("No nursery differs from the others by more than chance. Where intervals are wide, little can be told.")
    return tr("No nursery can be compared with others here.")


def _parted(rows: dict[str, Rows]) -> tuple[Rows, Rows]:
    """The nurseries that are in this, and those that were left out."""
    all_of_them = rows["nurseries"]
    return [r for r in all_of_them if not r["why"]], [r for r in all_of_them if r["why"]]


def _whole(takes: Rows) -> dict[str, Any]:
    return next((row for row in takes if row["by"] == "all"), {})


def _range(low: float, high: float) -> str:
    return tr("{low} to {high}", low=number(max(0, round(low))), high=number(round(high)))


def _shares_of(row: dict[str, Any]) -> str:
    if row["low"] is None:
        return tr("of one nursery only")
    return tr("{low} to {high}", low=percent(row["low"]), high=percent(row["high"]))


def _left_out(outside: Rows) -> list[Item]:
    return [
        Item(tr("{nursery} is left out: {why}.", nursery=r["nursery"], why=r["why"]), "#nurseries", tone="stop")
        for r in outside
    ]


def not_read(rows: Rows) -> list[str]:
    """What is said of nurseries some of whose files could not be read, from the table `nurseries`."""
    return [
        trn(
            "{n} file of {nursery} could not be read: its numbers lack what is in it.",
            "{n} files of {nursery} could not be read: its numbers lack what is in them.",
            r["files_not_read"],
            nursery=r["nursery"],
        )
        for r in rows
        if r["files_not_read"]
    ]


def _old(inside: Rows) -> list[Item]:
    """Nurseries whose hand-over is much older than the latest one."""
    last = max((r["day"] for r in inside), default=dt.date.max)
    old = sorted((r["day"], r["nursery"]) for r in inside if (last - r["day"]).days > _OLD_DAYS)
    return [
        Item(tr("What {nursery} handed over is of {day}: what happened since is not in it.", nursery=n, day=day), "#nurseries")
        for day, n in old
    ]


def _stands_out(rows: dict[str, Rows]) -> list[Item]:
    """Nurseries that are worse than the others, by the plants that makes."""
    found = []
    for row in rows["nursery_losses"]:
        if row["flag"] == "worse":
            more = row["lost"] - row["expected"]
            text = tr(
                "{nursery} loses {ratio} times as many plants as what stood there would have elsewhere.",
                nursery=row["nursery"],
                ratio=number(row["ratio"], 2),
            )
            found.append((more, Item(text, "#losses", tr("about {plants}", plants=many(round(more), "plant")))))
    buds = sum(row["read"] for row in rows["nursery_takes"] if row["adjusted"] is not None)
    mean = sum(row["read"] * row["adjusted"] for row in rows["nursery_takes"] if row["adjusted"] is not None) / max(1, buds)
    for row in rows["nursery_takes"]:
        if row["flag"] == "worse":
            less = (mean - row["adjusted"]) * row["read"]
            text = tr(
                "Of what all nurseries bud, {share} would take in {nursery}; {mean} do in all.",
                nursery=row["nursery"],
                share=percent(row["adjusted"]),
                mean=percent(mean),
            )
            found.append((less, Item(text, "#take", tr("about {buds}", buds=many(round(max(0.0, less)), "bud")))))
    return [item for _, item in sorted(found, key=lambda one: (-one[0], one[1].text))]


# -- chapters


def _listed(rows: Rows) -> Rows:
    """Those out of line, and as many of the others as a page has room for, in their order."""
    room = _LISTED - sum(r.get("flag") in _OUT for r in rows)
    others = [i for i, r in enumerate(rows) if r.get("flag") not in _OUT]
    gone = set(others[max(0, room) :])
    return [r for i, r in enumerate(rows) if i not in gone]


def _more(left: int, table: str) -> list[Block]:
    """What is said where the page lacks so many of them."""
    if not left:
        return []
    said = trn(
        "{n} more row stands in the table {table} of {store}.",
        "{n} more rows stand in the table {table} of {store}.",
        left,
        table=table,
        store=STORE,
    )
    return [Says(said, "soft")]


def _nurseries(rows: dict[str, Rows]) -> Chapter:
    inside, outside = _parted(rows)
    columns = (
        Column(tr("nursery")),
        Column(tr("as of"), "day"),
        Column(tr("submissions"), "number"),
        Column(
            tr("kept out of its books"),
            "share",
            tr("Submissions that wait, are quarantined or withdrawn, or that later ones replace."),
        ),
        Column(tr("files not read"), "number"),
        Column(tr("groups"), "number"),
        Column(tr("plants"), "number"),
        *interval(),
        Column(tr("teams"), "number"),
        Column(tr("teams out of line"), "number", tr("By the nursery's own comparison of its teams.")),
    )
    of_page = _listed(inside)
    shown = [
        (
            *(r["nursery"], r["day"], r["submissions"], 1 - r["accepted"] / r["submissions"] if r["submissions"] else None),
            *(r["files_not_read"], r["groups"], r["plants"], r["low"], r["high"], r["teams"], r["teams_out_of_line"]),
        )
        for r in of_page
    ]
    blocks: list[Block] = []
    says = trn("{n} nursery is in this.", "{n} nurseries are in this.", len(inside))
    if outside:
        missing = Table(
            "left_out",
            tr("What is missing, and why"),
            (Column(tr("nursery")), Column(tr("why it is left out"))),
            [(r["nursery"], r["why"]) for r in outside],
        )
        left = trn("{n} is left out: nothing below has it.", "{n} are left out: nothing below has them.", len(outside))
        says = f"{says} {left}"
        blocks += [Says(left, "stop"), missing]
    total = sum(r["submissions"] for r in inside)
    blocks.append(Says(trn("{n} submission came in.", "{n} submissions came in.", total)))
    if inside:
        blocks.append(Table("nurseries", tr("Nurseries"), columns, shown, is_for_paper=len(shown) <= 100))
        blocks += _more(len(inside) - len(of_page), "nurseries")
    return Chapter("nurseries", tr("Who is in this"), blocks, says)


def _take(rows: dict[str, Rows]) -> Chapter | None:
    whole = _whole(rows["takes"])
    if not whole or not whole["read"]:
        return None
    columns = (
        Column(tr("nursery")),
        Column(tr("against the others")),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share"),
        Column(
            tr("take with the whole mix"), "share", tr("What its take would be had it budded all that the nurseries budded.")
        ),
        *interval("share"),
        Column(
            tr("drawn to all"),
            "share",
            tr(
                "The same, drawn towards the mean of all by how little is known of it: the best guess of its take with this"
                " mix."
            ),
        ),
    )
    found = sorted(rows["nursery_takes"], key=lambda r: (r["adjusted"] is None, r["adjusted"], r["nursery"]))
    of_page = _listed(found)
    shown = [
        (
            *(r["nursery"], flag_words(r["flag"] or ""), r["read"], r["take_rate"]),
            *(r["adjusted"], r["adjusted_low"], r["adjusted_high"], r["pooled"]),
        )
        for r in of_page
    ]
    odd = frozenset(i for i, r in enumerate(of_page) if r["flag"] in _OUT)
    said = trn(
        "Of {n} bud read, {taken} took: {share} ({interval}).",
        "Of {n} buds read, {taken} took: {share} ({interval}).",
        whole["read"],
        taken=number(whole["taken"]),
        share=percent(whole["take_rate"]),
        interval=_shares_of(whole),
    )
    if worse := [r["nursery"] for r in found if r["flag"] == "worse"]:
        said = " ".join((said, tr("Worse than the others: {nurseries}.", nurseries=listed(worse, 3))))
    fair = [_drawn(r, "adjusted", percent(r["adjusted"])) for r in found if r["adjusted"] is not None]
    blocks: list[Block] = [Says(said)]
    if fair:
        says = tr("Take of each nursery with the whole mix, with its 95 % interval; the dashed line is all nurseries.")
        blocks.append(Drawing(on_shares(fair, whole["take_rate"], says), says))
    table = Table("take_by_nursery", tr("Take by nursery"), columns, shown, marked=odd, plotted=(4,))
    blocks += [table, *_more(len(found) - len(of_page), "nursery_takes")]
    blocks.append(_differ(rows["between"]))
    blocks.append(
        worked_out(
            tr(
                "With the whole mix: rootstock, scion, their combination, month and attempt are allowed for; that lots"
                " differ, and that"
                " lots of one nursery in one month share batches, weather and hands. The teams of a nursery are part"
                " of what it is."
            ),
            tr(
                "Better and worse are said only where the difference from the mean of the others stands up to looking at all"
                " nurseries at once (Benjamini and Hochberg), and of none with fewer than {n} buds read.",
                n=LEAST_BUDS,
            ),
            tr("This shows who differs, not why: budwood, water and weather differ between nurseries too."),
        )
    )
    return Chapter("take", tr("How buds take, by nursery"), blocks, said)


def _drawn(row: dict[str, Any], what: str, rate: str) -> Row:
    """A nursery as the drawings have it."""
    is_odd = row["flag"] in _OUT
    said = tr("{rate}, {flag}", rate=rate, flag=flag_words(row["flag"])) if is_odd else rate
    low, high = row[f"{what}_low"], row[f"{what}_high"]
    return Row(row["nursery"], row[what], low, high, said, row["flag"] if is_odd else "")


def _differ(between: Rows) -> Says:
    own = next((r for r in between if r["part"] == "nursery"), None)
    if own is None or own["sd"] is None:
        return Says(tr("How much nurseries differ cannot be told from these."), "soft")
    if own["low"] is None or own["high"] is None:
        return Says(tr("How much nurseries differ, on the scale of the logit: {sd}.", sd=number(own["sd"], 2)), "soft")
    return Says(
        tr(
            "How much nurseries differ, on the scale of the logit (standard deviation): {sd}, {low} to {high}.",
            sd=number(own["sd"], 2),
            low=number(own["low"], 2),
            high=number(own["high"], 2),
        ),
        "soft",
    )


def _pairs(rows: dict[str, Rows]) -> Chapter | None:
    found = [r for r in rows["pairs"] if r["rootstock"] != "all" and r["scion"] != "all"]
    if not found:
        return None
    found.sort(key=lambda r: (-r["read"], r["rootstock"] or "", r["scion"] or ""))
    columns = (
        Column(tr("rootstock")),
        Column(tr("scion")),
        Column(tr("nurseries"), "number"),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share"),
        Column(
            tr("take in all nurseries"),
            "share",
            tr(
                "What it would be had all nurseries budded it; where little is known of it, its rootstock, its scion"
                " and all others tell."
            ),
        ),
        *interval("share"),
    )
    shown = [
        (
            r["rootstock"],
            r["scion"],
            r["nurseries"],
            r["read"],
            r["take_rate"],
            r["borrowed"],
            r["borrowed_low"],
            r["borrowed_high"],
        )
        for r in found
    ]
    rare = sum(r["nurseries"] == 1 for r in found)
    says = trn("{n} combination was budded.", "{n} combinations were budded.", len(found))
    if rare:
        alone = trn("{n} rests on one nursery.", "{n} rest on one nursery each.", rare)
        says = f"{says} {alone}"
    alone_in = sorted(
        r["level"] for r in rows["takes"] if r["by"] in ("rootstock", "scion") and r["nurseries"] == 1 and r["level"] != "?"
    )
    blocks: list[Block] = [Says(says)]
    if alone_in and len(rows["nursery_takes"]) > 2:
        text = trn(
            "{n} code stands in one nursery alone: {codes}. Where it is another name for what others have, `--codes` puts them"
            " together.",
            "{n} codes stand in one nursery alone: {codes}. Where one is another name for what others have, `--codes` puts them"
            " together.",
            len(alone_in),
            codes=listed(alone_in, 8),
        )
        blocks.append(Says(text, "soft"))
    lead = tr(
        "Few nurseries bud a rare combination, and what is seen of it may be theirs: its interval allows for nurseries"
        " that differ, and for"
        " combinations that go otherwise in other nurseries."
    )
    table = Table("pairs", tr("Take by combination"), columns, shown, is_for_paper=len(shown) <= 120)
    return Chapter("pairs", tr("Rootstocks with scions"), [*blocks, Says(lead, "lead"), table], says)


def _levels(rows: dict[str, Rows], by: str, name: str, caption: str, head: str) -> list[Block]:
    own = [r for r in rows["takes"] if r["by"] == by and r["read"]]
    columns = (
        Column(head),
        Column(tr("nurseries"), "number"),
        Column(tr("lots set"), "number"),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share"),
        *interval("share"),
    )
    shown = [(r["level"], r["nurseries"], r["lots"], r["read"], r["take_rate"], r["low"], r["high"]) for r in own]
    told = [Share(r["level"], r["taken"], r["read"], r["take_rate"], r["low"], r["high"]) for r in own if r["low"] is not None]
    whole = _whole(rows["takes"])
    drawn = [Drawing(svg, caption) for svg in intervals(told, whole["take_rate"], caption)] if 1 < len(told) <= _DRAWN else []
    return [*drawn, Table(name, caption, columns, shown)]


def _by_level(rows: dict[str, Rows]) -> Chapter | None:
    if not _whole(rows["takes"]).get("read"):
        return None
    lead = tr(
        "Sums of all nurseries as they are, nothing allowed for; the intervals say how it might be in other nurseries"
        " like these."
    )
    kinds = (
        ("rootstock", tr("By rootstock"), tr("Take by rootstock"), tr("rootstock")),
        ("scion", tr("By scion"), tr("Take by scion"), tr("scion")),
        ("season", tr("By season"), tr("Take by season"), tr("season")),
        ("month", tr("By month of the year"), tr("Take by month of budding"), tr("month")),
        ("attempt", tr("By attempt"), tr("Take by attempt"), tr("attempt")),
    )
    folds = [Fold(title, _levels(rows, by, f"take_by_{by}", caption, head)) for by, title, caption, head in kinds]
    return Chapter(
        "levels",
        tr("How buds take in all"),
        [Says(lead, "lead"), *folds],
        tr("By rootstock, scion, season, month and attempt."),
    )


def _losses(rows: dict[str, Rows]) -> Chapter | None:
    if not rows["nursery_losses"]:
        return None
    found = sorted(rows["nursery_losses"], key=lambda r: (-(r["ratio"] or 0), r["nursery"]))
    columns = (
        Column(tr("nursery")),
        Column(tr("against the others")),
        Column(tr("lost"), "number"),
        Column(tr("of these without a record"), "number"),
        Column(
            tr("expected"),
            "number",
            tr("What the plants that stood there would have lost elsewhere, by stage, rootstock and time."),
        ),
        Column(tr("lost / expected"), "decimal"),
        *interval("decimal"),
        Column(tr("a thousand plants and month"), "decimal", tr("Plants lost of 1,000 in 30 days, whatever stood there.")),
    )
    of_page = _listed(found)
    shown = [
        (
            *(r["nursery"], flag_words(r["flag"] or ""), r["lost"], r["not_recorded"], round(r["expected"])),
            *(ratio(r[c]) for c in ("ratio", "ratio_low", "ratio_high")),
            r["loss_rate"],
        )
        for r in of_page
    ]
    odd = frozenset(i for i, r in enumerate(of_page) if r["flag"] in _OUT)
    total = sum(r["lost"] for r in found)
    said = trn("{n} plant was lost after its opening.", "{n} plants were lost after their opening.", total)
    if worse := [r["nursery"] for r in found if r["flag"] == "worse"]:
        said = " ".join((said, tr("More than expected: {nurseries}.", nurseries=listed(worse, 3))))
    fair = [_drawn(r, "ratio", number(r["ratio"], 2)) for r in found if r["ratio_low"] is not None]
    says = tr("What each nursery lost over what was expected, with its 95 % interval; at the dashed line both are alike.")
    blocks: list[Block] = [
        Says(said),
        *([Drawing(on_ratios(fair, says), says)] if fair else []),
        Table("losses_by_nursery", tr("Losses by nursery"), columns, shown, marked=odd, plotted=(5,)),
        *_more(len(found) - len(of_page), "nursery_losses"),
        worked_out(
            tr(
                "Every plant is at risk by its stage and rootstock: when it is looked at, and by the day. What was"
                " opened in one month is one"
                " line, as plants of one age share their fate; intervals allow for lines that are frail, and for"
                " losses in clumps."
            ),
            tr("Nurseries that are furthest out of line are taken out of the rates, and the others are compared again."),
            tr(
                "What was taken out at an opening is not in this. It is in how many come through, and in what plants are lost"
                " to; so these have more losses."
            ),
        ),
    ]
    return Chapter("losses", tr("Where plants are lost, by nursery"), blocks, said)


def _survival(rows: dict[str, Rows]) -> Chapter | None:
    stages = [r for r in rows["survival"] if r["clock"] == "stage" and r["by"] == "all"]
    if not stages:
        return None
    columns = (
        Column(tr("stage")),
        Column(tr("nurseries"), "number"),
        Column(tr("plants that came so far"), "number"),
        Column(tr("lost in it"), "number"),
        Column(tr("through it and all before"), "share"),
        *interval("share"),
    )

    def table(own: Rows, name: str, caption: str) -> Table:
        shown = [
            (in_stage(r["step"]), r["nurseries"], r["at_risk"], r["lost"], r["survival"], r["low"], r["high"]) for r in own
        ]
        return Table(name, caption, columns, shown)

    through = tr("{share} come through all stages.", share=percent(stages[-1]["survival"]))
    blocks: list[Block] = [Says(through), table(stages, "through_stages", tr("How many plants come through each stage"))]
    stocks = sorted({r["level"] for r in rows["survival"] if r["clock"] == "stage" and r["by"] == "rootstock"})
    of_stocks = [
        (stock, own[-1])
        for stock in stocks
        if (own := [r for r in rows["survival"] if (r["clock"], r["by"], r["level"]) == ("stage", "rootstock", stock)])
    ]
    if of_stocks:
        heads = (
            Column(tr("rootstock")),
            Column(tr("nurseries"), "number"),
            Column(tr("as far as")),
            Column(tr("come through"), "share"),
            *interval("share"),
        )
        told = [
            (stock, max(1, r["nurseries"]), in_stage(r["step"]), r["survival"], r["low"], r["high"]) for stock, r in of_stocks
        ]
        blocks.append(
            Fold(
                tr("By rootstock"),
                [Table("through_by_rootstock", tr("How many plants come through, by rootstock"), heads, told)],
            )
        )
    return Chapter("survival", tr("How many come through"), blocks, through)


def _causes(rows: dict[str, Rows]) -> Chapter | None:
    if not rows["loss_causes"]:
        return None
    columns = (
        Column(tr("stage")),
        Column(tr("cause")),
        Column(tr("nurseries"), "number"),
        Column(tr("lost"), "number"),
        Column(tr("of the losses of the stage"), "share"),
        *interval("share"),
    )
    shown = [
        (in_stage(r["stage"]), _cause(r["cause"]), r["nurseries"], r["lost"], r["share"], r["low"], r["high"])
        for r in rows["loss_causes"]
        if r["lost"]
    ]
    table = Table("loss_causes", tr("What plants are lost to, by stage"), columns, shown, is_for_paper=len(shown) <= 100)
    return Chapter("causes", tr("What plants are lost to"), [table], _most(rows["loss_causes"]))


def _most(causes: Rows) -> str:
    sums: dict[str, int] = {}
    for r in causes:
        sums[r["cause"]] = sums.get(r["cause"], 0) + r["lost"]
    first = sorted(sums, key=lambda cause: (-sums[cause], cause))[:3]
    return tr("Most often: {causes}.", causes=listed([_cause(c) for c in first], 3))


def _cause(code: str) -> str:
    """A cause as the shipped forms call it; one of a nursery's own by its code."""
    if code == NOT_RECORDED:
        return tr("gone without a record")
    return next((text_in(cause, "label") for cause in causes() if cause["name"] == code), "") or code


def _teams(rows: dict[str, Rows]) -> Chapter | None:
    if not rows["teams"]:
        return None
    columns = (
        Column(tr("nursery")),
        Column(tr("team")),
        Column(tr("against the others")),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share"),
        Column(tr("take with the whole mix"), "share", tr("What its take would be had it budded all that its nursery budded.")),
        *interval("share"),
    )

    def table(own: Rows, name: str, caption: str, is_for_paper: bool = True) -> Table:
        shown = [
            (
                *(r["nursery"], r["team_code"], flag_words(r["flag"] or ""), r["read"], r["take_rate"]),
                *(r["adjusted"], r["adjusted_low"], r["adjusted_high"]),
            )
            for r in own
        ]
        odd = frozenset(i for i, r in enumerate(own) if r["flag"] in _OUT)
        return Table(name, caption, columns, shown, marked=odd, is_for_paper=is_for_paper)

    odd = [r for r in rows["teams"] if r["flag"] in _OUT]
    says = trn("{n} team budded.", "{n} teams budded.", len(rows["teams"]))
    out = (
        trn("{n} is out of line in its nursery.", "{n} are out of line in their nurseries.", len(odd))
        if odd
        else tr("None is out of line in its nursery.")
    )
    lead = tr(
        "Teams are compared within their nursery alone, by its own books; nothing here sets teams of two nurseries"
        " beside each other."
    )
    blocks: list[Block] = [Says(f"{says} {out}"), Says(lead, "lead")]
    if odd:
        blocks.append(table(odd, "teams_out_of_line", tr("Teams out of line in their nurseries")))
    of_page = _listed(rows["teams"])
    all_of_them = table(of_page, "all_teams", tr("All teams"), is_for_paper=len(of_page) <= 40)
    blocks.append(Fold(tr("All teams"), [all_of_them, *_more(len(rows["teams"]) - len(of_page), "teams")]))
    return Chapter("teams", tr("Teams within nurseries"), blocks, f"{says} {out}")


def _off_types(rows: dict[str, Rows]) -> Chapter | None:
    if not rows["off_type"]:
        return None
    columns = (
        Column(tr("rootstock")),
        Column(tr("nurseries"), "number"),
        Column(tr("groups"), "number"),
        Column(tr("seedlings lifted"), "number"),
        Column(tr("off-type"), "number"),
        Column(tr("share"), "share"),
        *interval("share"),
    )
    shown = [
        (r["rootstock"], r["nurseries"], r["groups"], r["lifted"], r["off_type"], r["share"], r["low"], r["high"])
        for r in rows["off_type"]
    ]
    table = Table("off_type", tr("Off-types by rootstock"), columns, shown)
    total, off = sum(r["lifted"] for r in rows["off_type"]), sum(r["off_type"] for r in rows["off_type"])
    says = trn(
        "Of {n} seedling lifted, {off} were off-type.", "Of {n} seedlings lifted, {off} were off-type.", total, off=number(off)
    )
    return Chapter("off_types", tr("Off-types"), [Says(says), table], says)


_CHAPTERS = (_nurseries, _take, _pairs, _by_level, _teams, _losses, _survival, _causes, _off_types)
