"""Month by month: two years of what was begun, lost, sent out and stood, and the last month against what is usual."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from formpack.words import listed, many, month, number, percent, short_month, tr, trn
from pipeline.formulas.usual import LEAST, UNUSUAL
from pipeline.rates.losses import NOT_RECORDED
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Head, Says, Table
from pipeline.report.charts.months import counts, shares, stacked
from pipeline.report.months import (
    SHOWN,
    Held,
    Month,
    cause_words,
    gather_months,
    in_thousand,
    month_ago,
    parts_of_months,
    said_losses,
    said_take,
)
from pipeline.report.stock import STAGE_WORDS
from pipeline.store import Store
from pipeline.workspace import Workspace

_CAUSES = 6
"""Causes that have a layer of their own; one more holds the others."""
_Parts = dict[str, list[int]]
"""Levels in words -> plants of each month."""


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """The chapter; None before anything was opened."""
    every = gather_months(store)
    if not every:
        return None
    months = every[-SHOWN - 1 :]
    stages, causes = _stages(store, months), _causes(store, months)
    drawn = _drawn(every, months, stages, causes) if len(months) > 1 else [Says(tr("No month is over yet."))]
    blocks = [*_lead(months[-1]), *drawn, _tables(months, stages, causes)]
    return Chapter("months", tr("Month by month"), blocks, says=_says(every))


def _says(every: Sequence[Month]) -> str:
    """The last month that is over: what was lost, took and was delivered, and whether that is usual."""
    if len(every) < 2:
        return tr("No month is over yet.")
    over = every[-2]
    parts = [_judged(tr("{plants} lost", plants=many(over.lost, "plant")), over.losses)]
    if over.take.share is not None:
        parts.append(_judged(tr("{share} of the buds read took", share=percent(over.take.share)), over.take))
    parts.append(tr("{plants} delivered", plants=many(over.delivered, "plant")))
    said = tr("{month}: {what}.", month=month(over.first), what="; ".join(parts))
    return said[:1].upper() + said[1:]


def _judged(what: str, held: Held) -> str:
    """A number of a month in words, and whether it is usual, where that can be told."""
    if held.chance is None or held.share is None or held.high is None:
        return what
    if held.chance >= UNUSUAL:
        return tr("{what}, as usual", what=what)
    return (
        tr("{what}, above what is usual", what=what) if held.share > held.high else tr("{what}, below what is usual", what=what)
    )


def _stages(store: Store, months: Sequence[Month]) -> _Parts:
    """What stood at the end of each month by stage, for the stages there were."""
    found = parts_of_months(store, "stands")
    parts = {tr(words): [found.get((m.first, stage), 0) for m in months] for stage, words in STAGE_WORDS.items()}
    return {name: plants for name, plants in parts.items() if any(plants)}


def _causes(store: Store, months: Sequence[Month]) -> _Parts:
    """What was lost in each month by cause, the largest first; what went without a record, and the other causes, last."""
    found, words = parts_of_months(store, "lost"), cause_words()
    parts = {cause: [found.get((m.first, cause), 0) for m in months] for cause in {cause for _, cause in found}}
    named = sorted((c for c in parts if c != NOT_RECORDED and any(parts[c])), key=lambda c: (-sum(parts[c]), c))
    layers = {words.get(c, c): parts[c] for c in named[: _CAUSES - 1]}
    if rest := named[_CAUSES - 1 :]:
        layers[tr("other causes")] = [sum(plants) for plants in zip(*(parts[c] for c in rest), strict=True)]
    return layers | ({words[NOT_RECORDED]: parts[NOT_RECORDED]} if any(parts.get(NOT_RECORDED, ())) else {})


def _lead(now: Month) -> list[Block]:
    return [
        Says(
            tr(
                "What is usual is worked out from the months before, at least {least} of them: by chance alone a month lies"
                " within it in 95 of 100, as lots, groups and months differ here. How much is opened, budded or delivered is"
                " decided by people and has no limits.",
                least=LEAST,
            ),
            "lead",
        ),
        Says(
            tr(
                "{month} is not over: what it has until {until} is drawn open and not compared.",
                month=month(now.first),
                until=now.until,
            ),
            "soft",
        ),
    ]


def _drawn(every: Sequence[Month], months: Sequence[Month], stages: _Parts, causes: _Parts) -> list[Block]:
    """What the last month that is over has to say of each series, and a drawing of each that has anything."""
    firsts, last = [m.first for m in months], len(months) - 2
    now, over = months[-1], months[-2]

    def drawing(title: str, said: str, before: str, svg: str, alone: str) -> list[Block]:
        text = f"{said} {before}".rstrip()
        return [Drawing(svg, alone, title, text)] if svg else [Head(title), Says(text)]

    def others(shown: Callable[[Month], str | None]) -> str:
        """What it was in the month before and a year before, in a sentence of its own."""
        then = [every[-2 - back] for back in (1, 12) if back + 2 <= len(every)]
        said = [(shown(m), month(m.first)) for m in then]
        return _before([tr("{number} in {month}", number=n, month=when) for n, when in said if n is not None])

    def bars(title: str, said: str, name: str, alone: str) -> list[Block]:
        before, values = others(lambda m: number(getattr(m, name))), [getattr(m, name) for m in months]
        return drawing(title, said, before, counts(firsts, values, last, alone) if any(values) else "", alone)

    def dots(
        title: str, said: str, held: Sequence[Held], shown: Callable[[float], str], before: str, alone: str
    ) -> list[Block]:
        limits = [None if h.low is None or h.high is None else (h.low, h.high) for h in held]
        values = [h.share for h in held]
        drawn = shares(firsts, values, limits, [h.chance for h in held], last, alone, shown)
        return drawing(title, said, before, drawn if values != [None] * len(values) else "", alone)

    then = [m for m in (month_ago(every, now), month_ago(every, now, a_year=True)) if m]
    given = {"day": now.until, "low": now.low, "high": now.high}
    alone = tr("Plants standing at the end of each month, by stage.")
    lost = tr("Plants lost in each month, by cause.")
    in_month = month(over.first)
    return [
        *drawing(
            tr("What stands"),
            trn(
                "{n} plant stands on {day} ({low} to {high}).",
                "{n} plants stand on {day} ({low} to {high}).",
                now.stands,
                **given,
            ),
            _before([tr("{number} on {day}", number=m.stands, day=m.until) for m in then]),
            stacked(firsts, stages, last, alone),
            alone,
        ),
        *bars(
            tr("Opened"),
            trn("{n} plant was opened in {month}.", "{n} plants were opened in {month}.", over.opened, month=in_month),
            "opened",
            tr("Plants opened in each month."),
        ),
        *bars(
            tr("Buds set"),
            trn("{n} bud was set in {month}.", "{n} buds were set in {month}.", over.budded, month=in_month),
            "budded",
            tr("Buds set in each month."),
        ),
        *dots(
            tr("Take"),
            said_take(over),
            [m.take for m in months],
            percent,
            others(lambda m: None if m.take.share is None else percent(m.take.share)),
            tr("Take of the buds read in each month, on what was usual."),
        ),
        *dots(
            tr("Losses in 1,000 plants"),
            said_losses(over),
            [m.losses for m in months],
            in_thousand,
            others(lambda m: None if m.losses.share is None else tr("{rate} in 1,000", rate=in_thousand(m.losses.share))),
            tr("Plants recorded as lost in each month, in 1,000 that stood, on what was usual."),
        ),
        *drawing(
            tr("Losses by cause"),
            _said_causes(over, causes, last),
            "",
            stacked(firsts[:-1], {c: p[:-1] for c, p in causes.items()}, last, lost),
            lost,
        ),
        *bars(
            tr("Delivered"),
            trn("{n} plant was delivered in {month}.", "{n} plants were delivered in {month}.", over.delivered, month=in_month),
            "delivered",
            tr("Plants delivered in each month."),
        ),
    ]


def _before(then: Sequence[str]) -> str:
    """What a number was at other times."""
    return tr("Before: {others}.", others=listed(then)) if then else ""


def _said_causes(over: Month, causes: _Parts, last: int) -> str:
    """What most was lost to in a month, and what went without a record."""
    when, unnamed = month(over.first), (tr("other causes"), cause_words()[NOT_RECORDED])
    n, cause = max(((plants[last], name) for name, plants in causes.items() if name not in unnamed), default=(0, ""))
    said = []
    if n:
        said.append(tr("Most plants lost in {month} were put down to: {cause} ({n}).", month=when, cause=cause, n=n))
    if over.not_recorded:
        gone = many(over.not_recorded, "plant")
        said.append(tr("{plants} went without a record, as far as counts show yet.", plants=gone))
    return " ".join(said) or tr("Nothing was lost in {month}.", month=when)


def _when(of: Month) -> Cell:
    text = short_month(of.first) if of.is_over else tr("{month}, not over", month=short_month(of.first))
    return Cell(of.first, text)


def _usual(held: Held, shown: Callable[[float], str]) -> str:
    return "" if held.low is None or held.high is None else tr("{low} to {high}", low=shown(held.low), high=shown(held.high))


def _tables(months: Sequence[Month], stages: _Parts, causes: _Parts) -> Fold:
    """Every number that is drawn."""
    back = list(reversed(range(len(months))))
    out = frozenset(
        place
        for place, i in enumerate(back)
        if any(h.chance is not None and h.chance < UNUSUAL for h in (months[i].take, months[i].losses))
    )
    numbers = Table(
        "by_month",
        tr("Month by month, the last first"),
        [
            Column(tr("month"), "month"),
            Column(tr("opened"), "number", tr("Seedlings lifted at openings.")),
            Column(tr("culled at opening"), "number"),
            Column(tr("buds set"), "number", tr("By the last day on which a lot was budded.")),
            Column(tr("buds read"), "number", tr("By the day of the last reading of a lot.")),
            Column(tr("take"), "share"),
            Column(tr("usual take"), "text", tr("Where a month lies in 95 of 100 by chance alone, by the months before.")),
            Column(tr("lost"), "number", tr("Recorded as culled, dead or lost, but for what was culled at openings.")),
            Column(
                tr("lost of 1,000 plants"),
                "decimal",
                tr("Of the plants that stood at the beginning of the month or came in during it."),
            ),
            Column(tr("usual of 1,000"), "text"),
            Column(tr("without a record"), "number", tr("Gone without a record, as far as counts show it.")),
            Column(tr("delivered"), "number"),
            Column(
                tr("standing"),
                "number",
                tr("At the end of the month, as it is believed now. The interval of a former month is as wide to both sides."),
            ),
            Column(tr("standing, at least"), "number"),
            Column(tr("standing, at most"), "number"),
        ],
        [_row(months[i]) for i in back],
        marked=out,
        plotted=(7, 11, 12),
        mark_says=tr("unusual"),
    )
    return Fold(
        tr("The numbers of all months"),
        [
            numbers,
            _parts("standing_by_month", tr("Standing at the end of each month, by stage"), months, stages, back),
            _parts("lost_by_month", tr("Lost in each month, by cause"), months, causes, back),
        ],
    )


def _row(of: Month) -> list[Any]:
    rate = of.losses.share
    return [
        _when(of),
        *(of.opened, of.culled_at_opening, of.budded, of.read, of.take.share, _usual(of.take, percent)),
        *(of.lost, None if rate is None else Cell(1000 * rate, in_thousand(rate)), _usual(of.losses, in_thousand)),
        *(of.not_recorded, of.delivered, of.stands, of.low, of.high),
    ]


def _parts(name: str, caption: str, months: Sequence[Month], parts: _Parts, back: Sequence[int]) -> Table:
    columns = [Column(tr("month"), "month"), *(Column(head, "number") for head in parts)]
    return Table(name, caption, columns, [[_when(months[i]), *(plants[i] for plants in parts.values())] for i in back])
