"""Scouting: which pests and symptoms were found, where and when, and how small a share would have been found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from formpack.words import first_day, many, month, percent, tr
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Says, Table, interval
from pipeline.report.charts.scouting import Found, by_month
from pipeline.report.stock import place_names
from pipeline.store import Store
from pipeline.tables import names_of
from pipeline.workspace import Workspace

_DRAWN, _MONTHS = 4, 12
"""Pests that are drawn, those of most plants; and the last months of each."""


def _rows(store: Store, by: str) -> list[tuple[Any, ...]]:
    """(level, walks, examined, affected, rate, low, high, would_find) of a kind of level."""
    return store.rows(
        'SELECT level, walks, examined, affected, rate, low, high, would_find FROM incidence WHERE "by" = ? ORDER BY'
        " affected DESC, level",
        [by],
    )


def _numbers(affected: int, rate: float | None, low: float | None, high: float, least: float) -> tuple[Any, ...]:
    return (affected, Cell(None, tr("none found")) if rate is None else rate, low, high, Cell(least, percent(least, 2)))


def _table(name: str, caption: str, heads: Sequence[str], rows: Sequence[Sequence[Any]]) -> Table:
    columns = [
        *(Column(head) for head in heads),
        Column(
            tr("walks"), "number", tr("Records of scouting; a walk has one for each pest or symptom looked for."), is_aside=True
        ),
        Column(tr("examined"), "number", tr("Plants, once for each pest or symptom looked for.")),
        Column(tr("affected"), "number"),
        Column(tr("share"), "share", tr("Where none was found it is not zero: only its upper limit is known.")),
        *interval("share"),
        Column(
            tr("would be found"),
            "share",
            tr(
                "The smallest share of affected plants of which one would have been found, with the confidence of nursery.toml."
            ),
            is_aside=True,
        ),
    ]
    return Table(name, caption, columns, rows)


def _drawings(store: Store, pests: Mapping[str, str]) -> list[Block]:
    found: dict[str, list[Found]] = {}
    for level, _, examined, affected, rate, low, high, _ in sorted(_rows(store, "pest+month")):
        pest, _, when = level.rpartition("+")
        found.setdefault(pest, []).append(Found(month(first_day(when)), affected, examined, rate, low, high))
    most = sorted((p for p in found if any(f.affected for f in found[p])), key=lambda p: -sum(f.affected for f in found[p]))
    drawn: list[Block] = []
    for pest in most[:_DRAWN]:
        says = tr("{pest}: share of the plants examined that had it, month by month", pest=pests.get(pest, pest))
        drawn += [Drawing(one, says, head=pests.get(pest, pest)) for one in by_month(found[pest][-_MONTHS:], says)]
    return drawn


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """Scouting; None where nothing was recorded."""
    whole = _rows(store, "all")
    if not whole:
        return None
    pests, places = names_of(store, "pests"), place_names(store)
    _, walks, examined, affected, *_ = whole[0]
    lead = tr(
        "{records}: {n} plants examined, {affected} affected. A plant counts once for each pest or symptom looked for.",
        records=many(walks, "record"),
        n=examined,
        affected=affected,
    )
    how = tr(
        "Limits are of 95 %: exact for one walk; wider for several together, as walks differ by more than chance. They hold for"
        " plants like those examined: who looks only where it is bad finds more than there is. A name is what somebody saw, no"
        " diagnosis."
    )
    of_pests = [(pests.get(r[0], r[0]), *r[1:3], *_numbers(*r[3:])) for r in _rows(store, "pest")]
    blocks: list[Block] = [
        Says(lead, "lead"),
        _table("incidence_by_pest", tr("What was looked for, and found"), [tr("pest or symptom")], of_pests),
        Says(how, "soft"),
        *_drawings(store, pests),
    ]
    where, looked_for = [], sorted((level for level, *_ in _rows(store, "pest")), key=len, reverse=True)
    for level, *rest in _rows(store, "pest+place"):
        pest = next(p for p in looked_for if level.startswith(f"{p}+"))
        place = level[len(pest) + 1 :]
        where.append((pests.get(pest, pest), places.get(place, place), *rest[:2], *_numbers(*rest[2:])))
    caption = tr("Where: by pest or symptom and place")
    blocks.append(Fold(caption, [_table("incidence_by_place", caption, [tr("pest or symptom"), tr("place")], where)]))
    return Chapter("scouting", tr("Scouting"), blocks)
