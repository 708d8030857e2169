"""What was sterilised and disinfected, as it was recorded: cycles beside the set time, knives at changes of cultivar."""

from __future__ import annotations

from formpack.words import listed, marked, tr, trn
from pipeline.report.blocks import Block, Cell, Chapter, Column, Fold, Says, Table
from pipeline.store import Store
from pipeline.tables import names_of
from pipeline.workspace import Workspace

_MOST = 60
"""Cycles of the folded table, the latest last."""
_NAMED = 8
"""Teams and people that a sentence names."""
STATES = {
    "held": marked("held"),
    "too short": marked("too short"),
    "too cool": marked("too cool"),
    "not told": marked("not told"),
    "recorded": marked("recorded"),
}
_ITEMS = {"trays": marked("trays"), "medium": marked("growing medium")}
_METHODS = {"steam": marked("steam"), "heat": marked("heat"), "solution": marked("solution")}
"""What the forms' codes are called; `tr` it."""
_CYCLES = f"""
SELECT * FROM (SELECT on_date, item, method, minutes, temperature_c, location, staff_code, state, instance_id FROM hygiene
    WHERE kind = 'cycle' ORDER BY on_date DESC, instance_id DESC LIMIT {_MOST}) ORDER BY on_date, instance_id
"""
_COUNTED = """
SELECT count(*), count(*) FILTER (method <> 'solution'), count(*) FILTER (state = 'held'),
    count(*) FILTER (state IN ('too short', 'too cool')), count(*) FILTER (state = 'not told')
FROM hygiene WHERE kind = 'cycle'
"""
_BLADES = """
SELECT team_code, staff_code, count(*), sum(groups)::BIGINT, sum(disinfections)::BIGINT, count(changes),
    coalesce(sum(changes), 0)::BIGINT, coalesce(sum(not_between), 0)::BIGINT, max(most_groups), bool_or(state = 'none recorded')
FROM hygiene WHERE kind = 'blades' GROUP BY ALL ORDER BY team_code NULLS LAST, staff_code
"""


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """Hygiene; None where nothing of it was recorded."""
    cycles, blades = _cycles(store), _blades(store, workspace)
    if not cycles and not blades:
        return None
    no_more = tr("It shows what was recorded. What was done and not recorded is not here, and the product's label governs.")
    return Chapter("hygiene", tr("Hygiene"), [*cycles, *blades, Says(no_more, "soft")])


def _cycles(store: Store) -> list[Block]:
    every, hot, held, short, untold = store.rows(_COUNTED)[0]
    if not every:
        return []
    of = store.rows("SELECT steam_minutes, steam_celsius FROM work.settings")[0]
    wanted = {"minutes": of[0], "celsius": f"{of[1]:g}"}
    said: list[Block] = []
    if hot:
        said.append(
            Says(
                trn(
                    "{held} of {n} cycle with steam or heat held {minutes} minutes at {celsius} °C.",
                    "{held} of {n} cycles with steam or heat held {minutes} minutes at {celsius} °C.",
                    hot,
                    held=held,
                    **wanted,
                )
            )
        )
    if short:
        said.append(Says(trn("{n} cycle was too short or too cool.", "{n} cycles were too short or too cool.", short), "stop"))
    if untold:
        unread = trn("Of {n} cycle time or temperature is not told.", "Of {n} cycles time or temperature is not told.", untold)
        said.append(Says(unread))
    places, people = names_of(store, "locations"), names_of(store, "staff")
    rows = [
        (
            *(on, Cell(state, tr(STATES[state]), is_marked=state.startswith("too"))),
            *(tr(_ITEMS[item]) if item in _ITEMS else item, tr(_METHODS[method]) if method in _METHODS else method),
            *(minutes, celsius, places.get(place or "", place), people.get(who, who)),
        )
        for on, item, method, minutes, celsius, place, who, state, _ in store.rows(_CYCLES)
    ]
    columns = [
        Column(tr("day"), "day"),
        Column(tr("beside the set time")),
        Column(tr("what")),
        Column(tr("how")),
        Column(tr("minutes"), "number"),
        Column(tr("°C"), "decimal", tr("Temperature at the coolest spot.")),
        Column(tr("place"), is_aside=True),
        Column(tr("by"), is_aside=True),
    ]
    caption = tr("Trays and growing medium")
    if every > len(rows):
        caption = tr("Trays and growing medium, the last {n} of {all}", n=len(rows), all=every)
    return [*said, Fold(caption, [Table("cycles", caption, columns, rows)])]


def _blades(store: Store, workspace: Workspace) -> list[Block]:
    every = store.rows(_BLADES)
    if not every:
        return []
    teams, people = names_of(store, "teams"), names_of(store, "staff")
    called = {row[:2]: teams.get(row[0], row[0]) if row[0] else people.get(row[1], row[1]) for row in every}
    rows = [row for row in every if not row[-1]]
    changes, without = sum(r[6] for r in rows), sum(r[7] for r in rows)
    told, days = sum(r[5] for r in rows), sum(r[2] for r in rows)
    wants_change = workspace.settings.hygiene.at_change_of_cultivar
    said: list[Block] = [
        Says(
            trn(
                "{n} change of cultivar is told by the times of saving; with no disinfecting of knives recorded between:"
                " {without}.",
                "{n} changes of cultivar are told by the times of saving; with no disinfecting of knives recorded between:"
                " {without}.",
                changes,
                without=without,
            ),
            "stop" if without and wants_change else "plain",
        )
    ]
    if days > told:
        unknown = trn(
            "On {n} day of a team the order, or the cultivar, is not told.",
            "On {n} days of teams the order, or the cultivar, is not told.",
            days - told,
        )
        said.append(Says(unknown, "soft"))
    if never := [called[row[:2]] for row in every if row[-1]]:
        said.append(Says(tr("Of these no disinfecting was ever recorded: {names}.", names=listed(never, _NAMED))))
    if not rows:
        return said[-1:]
    columns = [
        Column(tr("team, or person")),
        Column(tr("days"), "number", tr("Days with budding, cutting back or topping since disinfecting was first recorded.")),
        Column(tr("groups"), "number", is_aside=True),
        Column(tr("disinfections"), "number"),
        Column(
            tr("days told"), "number", tr("Days on which the times of saving tell the order, or only one cultivar was worked.")
        ),
        Column(tr("changes of cultivar"), "number"),
        Column(tr("none between"), "number", tr("Changes with no disinfecting recorded between.")),
        Column(tr("most groups"), "number", tr("Most groups one after the other without disinfecting.")),
    ]
    shown = [
        (called[team, who], days, groups, done, told, changes, Cell(without, is_marked=bool(without and wants_change)), most)
        for team, who, days, groups, done, told, changes, without, most, _ in rows
    ]
    caption = tr("Knives and shears, by team")
    return [*said, Fold(caption, [Table("blades", caption, columns, shown)])]
