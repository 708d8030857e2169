"""How buds take: by team, and by rootstock, scion, combination, month, attempt and days to the reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from formpack.words import first_day, listed, number, percent, short_month, tr, trn
from pipeline.rates.takes import LEAST_BUDS
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Head, Says, Table, interval, worked_out
from pipeline.report.charts.take import funnel_plot, intervals, teams
from pipeline.report.figures import DAYS_TO_READING, Figures, Share, Team, flag_words


def _shares(name: str, caption: str, head: str, rows: Sequence[Share], is_month: bool = False) -> Table:
    columns = (
        Column(head, "month" if is_month else "text"),
        Column(tr("lots set"), "number"),
        Column(tr("buds read"), "number"),
        Column(tr("taken"), "number"),
        Column(tr("take"), "share"),
        *interval("share"),
    )
    shown = [(first_day(s.label) if is_month else s.label, s.lots, s.of, s.count, s.rate, s.low, s.high) for s in rows]
    return Table(name, caption, columns, shown)


def _fold(f: Figures, title: str, says: str, table: Table, rows: Sequence[Share]) -> Fold:
    drawn = intervals(rows, f.take.rate if f.take else None, says)
    return Fold(title, [*(Drawing(svg, says) for svg in drawn), table])


def _chance(q: float | None) -> Any:
    return Cell(q, tr("under {share}", share=percent(0.001))) if q is not None and q < 0.001 else q


def _odds(t: Team) -> Any:
    if t.odds_ratio is None or t.odds_low is None or t.odds_high is None:
        return None
    odds, low, high = (number(v, 2) for v in (t.odds_ratio, t.odds_low, t.odds_high))
    return Cell(t.odds_ratio, tr("{n} ({low} to {high})", n=odds, low=low, high=high))


def _teams(f: Figures, middle: float) -> list[Block]:
    says = tr("Take of each team with the whole mix (full dots) and as it is (open dots), with 95 % intervals.")
    columns = (
        Column(tr("team")),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share"),
        Column(tr("take with the whole mix"), "share", tr("What its take would be had it budded all that the nursery budded.")),
        *interval("share"),
        Column(tr("against the others")),
    )
    rows = [(t.label, t.of, t.rate, t.adjusted, t.adjusted_low, t.adjusted_high, flag_words(t.flag)) for t in f.teams]
    odd = frozenset(i for i, t in enumerate(f.teams) if t.flag in ("better", "worse"))
    lead = tr(
        "A team that is given the hard combinations looks bad, so its take is shown with the whole mix too: what it would be"
        " had the team budded all that the nursery budded. The dashed line is the whole nursery."
    )
    return [
        Head(tr("By team")),
        Says(lead, "lead"),
        Drawing(teams(f.teams, middle, says), says),
        Table("take_by_team", tr("Take by team"), columns, rows, marked=odd, plotted=(3,)),
        _more_of_teams(f, middle),
    ]


def _more_of_teams(f: Figures, middle: float) -> Fold:
    says = tr("Take of each team against the buds read, with the limits within which alike teams lie.")
    columns = (
        Column(tr("team")),
        Column(tr("lots"), "number"),
        Column(tr("chance of a false alarm"), "share", tr("Among the teams flagged up to this one.")),
        Column(tr("odds against the others"), "decimal"),
        Column(tr("days"), "number"),
        Column(tr("buds a day"), "number"),
    )
    rows = [(t.label, t.lots, _chance(t.q_value), _odds(t), t.days, round(t.buds_a_day)) for t in f.teams]
    how = tr(
        "Chance of a false alarm: among the teams flagged up to this one (Benjamini and Hochberg). Odds against the others:"
        " a second opinion without a model, within rootstock, scion and attempt (Mantel and Haenszel). Buds a day: the middle"
        " of its days."
    )
    return Fold(
        tr("More of the teams"),
        [
            Drawing(funnel_plot(f.teams, middle, f.deff, says), says),
            Table("more_of_teams", tr("Teams: odds, and what they set in a day"), columns, rows),
            Says(how, "soft"),
        ],
    )


def _out_of_line(teams: Sequence[Team]) -> str:
    """The teams that took worse than the others, by name."""
    worse = [t.label for t in teams if t.flag == "worse"]
    return tr("Worse than the others: {teams}.", teams=listed(worse, 3)) if worse else ""


def chapter(f: Figures) -> Chapter:
    """How buds take."""
    title = tr("How buds take")
    if not f.take:
        return Chapter("take", title, [Says(tr("No buds have been read yet."))])
    by_days = [replace(s, label=tr(DAYS_TO_READING.get(s.label, s.label))) for s in f.by_days]
    by_month = [replace(s, label=short_month(first_day(s.label))) for s in f.by_month]
    by_rootstock = _shares("take_by_rootstock", tr("Take by rootstock"), tr("rootstock"), f.by_rootstock)
    by_scion = _shares("take_by_scion", tr("Take by scion"), tr("scion"), f.by_scion_take)
    by_pair = _shares("take_by_pair", tr("Take by combination"), tr("rootstock + scion"), f.by_pair)
    months = _shares("take_by_month", tr("Take by month of budding"), tr("month"), f.by_month, is_month=True)
    said = trn(
        "Of {n} bud read, {taken} took: {share} ({low} to {high}).",
        "Of {n} buds read, {taken} took: {share} ({low} to {high}).",
        f.take.of,
        taken=f.take.count,
        share=percent(f.take.rate),
        low=percent(f.take.low),
        high=percent(f.take.high),
    )
    dots = tr("A dot is the take, its line the 95 % interval, the dashed line the whole nursery.")
    said = f"{said} {_out_of_line(f.teams)}".rstrip()
    blocks: list[Block] = [Says(said)]
    if f.teams:
        blocks += _teams(f, f.take.rate)
    blocks += [
        _fold(f, tr("By rootstock"), f"{by_rootstock.caption}. {dots}", by_rootstock, f.by_rootstock),
        _fold(f, tr("By scion"), f"{by_scion.caption}. {dots}", by_scion, f.by_scion_take),
        _fold(f, tr("By combination"), f"{by_pair.caption}. {dots}", by_pair, f.by_pair),
        _fold(f, tr("By month of budding"), f"{months.caption}. {dots}", months, by_month),
        Fold(
            tr("By attempt, and by days from budding to reading"),
            [
                _shares("take_by_attempt", tr("Take by attempt"), tr("attempt"), f.by_attempt),
                _shares("take_by_days", tr("Take by days from budding to reading"), tr("days to the reading"), by_days),
            ],
        ),
        worked_out(
            tr(
                "Take is green buds of all that were read as green, brown or missing; unsure buds are left out until they are"
                " read again. Buds of one lot share a day, a batch and a pair of hands, so lots differ more than chance says;"
                " the intervals allow for it (correlation within lots {rho}).",
                rho=number(f.rho, 3),
            ),
            dots,
            tr(
                "With the whole mix: rootstock, scion, their combination, month and attempt are allowed for, that lots"
                " differ, and that they share batches and months. Better and worse are said only where the difference from"
                " the mean of the others stands up to looking at all teams at once, and of no team with fewer than {n} buds"
                " read.",
                n=LEAST_BUDS,
            ),
        ),
    ]
    return Chapter("take", title, blocks, says=said)
