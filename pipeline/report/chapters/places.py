"""Places: what was lost at each, how buds took and what is late, and houses compared fairly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from formpack.words import listed, many, number, percent, tr, trn, unpacked
from pipeline.formulas.standardised import LEAST_EXPECTED, LEAST_GROUPS
from pipeline.rates.takes import LEAST_BUDS
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Says, Table
from pipeline.report.chapters import flags
from pipeline.report.charts.places import MOST_LINES, Line, Spot, plan
from pipeline.report.stock import place_names
from pipeline.store import Store
from pipeline.tables import TABLES
from pipeline.workspace import Workspace

_MOST = 40
"""Places of the table that are shown before the fold."""


@dataclass(frozen=True)
class Place:
    """A row of `place_rates`, with the name of the place. Rates are per 1,000 plants and 30 days."""

    by: str
    level: str
    house: str
    groups: int
    plants: int
    low: int | None
    high: int | None
    lines: int
    lost: int
    not_recorded: int
    plant_days: int
    loss_rate: float | None
    loss_low: float | None
    loss_high: float | None
    expected: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    q_value: float | None
    flag: str | None
    lots: int
    read: int
    taken: int
    take_rate: float | None
    take_low: float | None
    take_high: float | None
    take_adjusted: float | None
    take_adjusted_low: float | None
    take_adjusted_high: float | None
    take_q_value: float | None
    take_flag: str | None
    tasks_late: int
    plants_late: int
    days_late: int
    name: str


def _gathered(store: Store) -> list[Place]:
    names = place_names(store)
    columns = ", ".join(f'"{c}"' for c in TABLES["place_rates"][1])
    rows = store.rows(f'SELECT {columns} FROM place_rates ORDER BY "by", house NULLS FIRST, level')
    return [Place(**dict(zip(TABLES["place_rates"][1], row, strict=True)), name=names.get(row[1], row[1])) for row in rows]


def out_of_line(store: Store) -> list[flags.OutOfLine]:
    """Houses that lose more or take worse than what stands there explains, the most plants first."""
    found = []
    for p in _gathered(store):
        if p.by == "house" and p.flag == "worse" and p.expected is not None:
            found.append(flags.OutOfLine(_more_lost(p), round(p.lost - p.expected), "#places"))
        if p.by == "house" and p.take_flag == "worse":
            found.append(flags.OutOfLine(_took_badly(p, store), _buds_lost(p, store), "#places"))
    return sorted(found, key=lambda one: -one.plants)


def _more_lost(p: Place) -> str:
    assert p.expected is not None and p.ratio is not None and p.ratio_low is not None and p.ratio_high is not None
    numbers = {"lost": p.lost, "expected": round(p.expected), "ratio": number(p.ratio, 1)}
    return tr(
        "{place} loses more than what stands there explains: {lost} plants where {expected} were to be expected, {ratio}"
        " times as many ({low} to {high}).",
        place=p.name,
        low=number(p.ratio_low, 1),
        high=number(p.ratio_high, 1),
        **numbers,
    )


def _fewer_lost(p: Place) -> str:
    assert p.expected is not None
    return tr(
        "{place} loses less than what stands there leads one to expect: {lost} plants where {expected} were to be expected.",
        place=p.name,
        lost=p.lost,
        expected=round(p.expected),
    )


def _others(p: Place, store: Store) -> float:
    """The take of the buds that were not set in this house."""
    taken, read = store.rows("SELECT taken, read FROM place_rates WHERE \"by\" = 'all'")[0]
    return float((taken - p.taken) / (read - p.read)) if read > p.read else float(taken / max(1, read))


def _buds_lost(p: Place, store: Store) -> int:
    return max(0, round(p.read * (_others(p, store) - (p.take_adjusted or 0.0))))


def _took_badly(p: Place, store: Store) -> str:
    assert p.take_adjusted is not None
    return tr(
        "Buds set in {place} took worse than its teams, pairs and months explain: {adjusted} with the whole mix, where others"
        " have {others}.",
        place=p.name,
        adjusted=percent(p.take_adjusted),
        others=percent(_others(p, store)),
    )


def _verdict(houses: list[Place], store: Store) -> list[Says]:
    """What stands out, in sentences; where nothing does, that."""
    said = [Says(one.sentence, "stop") for one in out_of_line(store)]
    said += [Says(_fewer_lost(p)) for p in houses if p.flag == "better"]
    told = [p for p in houses if p.q_value is not None]
    if said:
        return said
    if len(told) < 2:
        return [
            Says(
                tr(
                    "Houses cannot be compared yet: it takes two with {groups} groups and {lost} losses expected each.",
                    groups=LEAST_GROUPS,
                    lost=round(LEAST_EXPECTED),
                )
            )
        ]
    return [Says(tr("No house is out of line: each loses about what is to be expected of what stood there."))]


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """Places; None while nothing stood anywhere."""
    places = _gathered(store)
    used, benches = ([p for p in places if p.by == by and (p.groups or p.plant_days or p.lots)] for by in ("house", "place"))
    blocks: list[Block] = []
    faults = [
        Says(tr("Place {place} counts as a house of its own: {fault}.", place=code, fault=unpacked(fault)), "stop")
        for code, fault in store.rows("SELECT code, fault FROM work.place_faults")
    ]
    blocks += faults[:5]
    if len(faults) > 5:
        blocks.append(
            Says(trn("{n} more place is wrong in the list.", "{n} more places are wrong in the list.", len(faults) - 5))
        )
    nowhere, groups = store.rows(
        "SELECT coalesce(sum(estimate), 0)::BIGINT, count(*) FROM standing WHERE stage <> 'gone' AND location IS NULL"
    )[0]
    if groups:
        blocks.append(
            Says(
                tr(
                    "No place was ever given for {groups}, {plants}; they are in none of these numbers.",
                    groups=many(groups, "group"),
                    plants=many(nowhere, "plant"),
                )
            )
        )
    if not used:
        if not blocks:
            return None
        return Chapter("places", tr("Places"), [*blocks, Says(tr("Nothing has stood at a place yet."))])
    unlisted = sorted({p.level for p in benches if p.level not in place_names(store)})
    if unlisted:
        blocks.append(Says(tr("Not in lists/locations.csv: {places}; each counts as a house.", places=listed(unlisted, 10))))
    blocks += _verdict(used, store)
    blocks += _plan(used, benches)
    blocks.append(_compared(used))
    if [p.level for p in benches] != [p.level for p in used]:
        blocks.append(_benches(benches, {p.level: p.name for p in used}))
    blocks.append(Fold(tr("How houses are compared"), [Says(_how(), "soft")]))
    return Chapter("places", tr("Places"), blocks)


def _how() -> str:
    return tr(
        "Expected is what the plants that stood there would have lost at the rates of the houses that are in line: by stage"
        " and rootstock, plant-days until a group was last seen, and plants looked at when a stage was reached. A loss"
        " belongs to the place where the group stood before the visit that found it. What was taken out at an opening is no"
        " place's loss and is not here. Frail groups and losses in clumps are allowed for. Take is compared with teams,"
        " pairs, months and batches allowed for. A flag asks for fewer than 5 false alarms in 100 flags, for {groups} groups"
        " with {lost} losses expected, or {buds} buds of {groups} groups.",
        groups=LEAST_GROUPS,
        lost=round(LEAST_EXPECTED),
        buds=LEAST_BUDS,
    )


def _plan(houses: list[Place], benches: list[Place]) -> list[Block]:
    """A drawing of the places: lost, take, late."""
    inside: dict[str, list[Place]] = {}
    for p in benches:
        inside.setdefault(p.house, []).append(p)

    def is_one(h: Place) -> bool:
        return [p.level for p in inside[h.level]] == [h.level]

    blocks: list[Block] = []
    if sum(len(inside[h.level]) + (not is_one(h)) for h in houses) > MOST_LINES:
        inside = {h.level: [h] for h in houses}
        said = tr("There are too many places for one drawing, so that each line is a house.")
        if len(houses) > MOST_LINES:
            houses = sorted(houses, key=lambda p: (-(p.ratio or 0.0), p.level))[:MOST_LINES]
            said = tr(
                "There are too many houses for one drawing: these are the {n} that lose most beside what is expected.",
                n=MOST_LINES,
            )
        blocks.append(Says(said, "soft"))
    most_late = max((p.tasks_late for h in houses for p in inside[h.level]), default=0)

    def lost(p: Place) -> Spot:
        if p.ratio is None or p.ratio_low is None or (p.expected or 0.0) < LEAST_EXPECTED:
            return Spot(tr("too little"), None)
        return Spot(f"× {number(p.ratio, 1)}", (p.ratio - 0.5) / 1.5, p.flag == "worse")

    def took(p: Place) -> Spot:
        if p.take_rate is None or p.read < LEAST_BUDS:
            return Spot(tr("too little"), None)
        return Spot(percent(p.take_rate), (1 - p.take_rate) / 0.3, p.take_flag == "worse")

    def late(p: Place) -> Spot:
        return Spot(number(p.tasks_late), p.tasks_late / max(1, most_late))

    lines = []
    for h in houses:
        if not is_one(h):
            lines.append(Line(h.name))
        lines += [Line(p.name, [lost(p), took(p), late(p)], not is_one(h)) for p in inside[h.level]]
    heads = [tr("losses"), tr("take"), tr("late tasks")]
    says = tr(
        "Places: losses as times what was to be expected of what stood there, take of the buds set there, and late tasks;"
        " dark is worse."
    )
    return [*blocks, Drawing(plan(heads, lines, says), says)]


def _compared(houses: list[Place]) -> Table:
    columns = [
        Column(tr("house or yard")),
        Column(tr("plants"), "number", tr("what stands there now")),
        Column(tr("lost"), "number", tr("plants lost while there, on record and without one")),
        Column(tr("losses expected"), "number", tr("what was to be lost there at the rates of the houses that are in line")),
        Column(tr("times expected"), "decimal", tr("lost, of expected, with the 95 % interval")),
        Column(tr("losses compared"), "text"),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share", tr("take of the buds set there, as it is")),
        Column(
            tr("take with the whole mix"), "share", tr("take, had the house had the whole nursery's teams, pairs and months")
        ),
        Column(tr("take compared"), "text"),
        Column(tr("late tasks"), "number"),
        Column(tr("days over"), "number", tr("of the task that is most late")),
    ]
    rows = sorted(houses, key=lambda p: (p.flag != "worse" and p.take_flag != "worse", -(p.ratio or 0.0), p.level))
    marked = frozenset(i for i, p in enumerate(rows) if "worse" in (p.flag, p.take_flag))
    return Table(
        "houses",
        tr("Houses, what stood there allowed for"),
        columns,
        [_house(p) for p in rows],
        marked=marked,
        mark_says=tr("worse"),
    )


def _house(p: Place) -> list[Any]:
    return [
        p.name,
        p.plants,
        p.lost,
        None if p.expected is None else round(p.expected),
        None if p.ratio is None else Cell(p.ratio, _with_interval(p), is_marked=p.flag == "worse"),
        flags.words(p.flag, p.q_value),
        p.read,
        p.take_rate,
        p.take_adjusted,
        flags.words(p.take_flag, p.take_q_value),
        p.tasks_late,
        p.days_late or None,
    ]


def _with_interval(p: Place) -> str:
    if p.ratio is None or p.ratio_low is None or p.ratio_high is None:
        return "" if p.ratio is None else number(p.ratio, 1)
    said = {"ratio": number(p.ratio, 1), "low": number(p.ratio_low, 1), "high": number(p.ratio_high, 1)}
    return tr("{ratio} ({low} to {high})", **said)


def _benches(benches: list[Place], houses: dict[str, str]) -> Block:
    """Places within houses, those that lose most beside what is expected first."""
    columns = [
        Column(tr("place")),
        Column(tr("house")),
        Column(tr("groups"), "number"),
        Column(tr("plants"), "number"),
        Column(tr("lost"), "number"),
        Column(tr("per 1,000 a month"), "decimal", tr("plants lost per 1,000 plants and 30 days, at whatever stage")),
        Column(tr("times expected"), "decimal"),
        Column(tr("take"), "share"),
        Column(tr("late tasks"), "number"),
    ]
    told = sorted(benches, key=lambda p: (-(p.ratio or 0.0) if (p.expected or 0.0) >= LEAST_EXPECTED else 1.0, p.level))
    rows = [
        [
            p.name,
            houses.get(p.house, p.house),
            p.groups,
            p.plants,
            p.lost,
            p.loss_rate,
            None if p.ratio is None else Cell(p.ratio, _with_interval(p)),
            p.take_rate,
            p.tasks_late,
        ]
        for p in told
    ]
    caption = tr("Places, those that lose most beside what is expected first")
    if len(rows) > _MOST:
        caption = tr("The {n} places that lose most beside what is expected, of {all}", n=_MOST, all=len(rows))
    return Fold(tr("Every place"), [Table("benches", caption, columns, rows[:_MOST])])
