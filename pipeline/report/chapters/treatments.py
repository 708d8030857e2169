"""Treatments with products: what was recorded, and which places are not to be entered."""

from __future__ import annotations

import datetime as dt
from typing import Any

from formpack.words import many, short_day, tr
from pipeline.book.log_records import amount, units
from pipeline.field.due_list import Wanted, due_list
from pipeline.report.blocks import Block, Cell, Chapter, Column, Fold, Says, Table
from pipeline.report.stock import place_names
from pipeline.store import Store
from pipeline.tables import names_of
from pipeline.workspace import Workspace

_SHOWN = 12
"""The latest treatments that are not folded away."""
_ROWS = """
SELECT on_date, location, label, active_ingredient, dose, dose_unit, area_m2, target, applicator, reentry_on, reentry_at
FROM treatments WHERE state = 'accepted' ORDER BY on_date DESC, started_at DESC, instance_id
"""


def closed_until(on: dt.date | None, at: str | None) -> Cell | None:
    """When a place may be entered again; nothing where a nursery's own form does not ask it."""
    return Cell(" ".join(filter(None, (f"{on}", at))), " ".join(filter(None, (short_day(on), at)))) if on else None


def _table(name: str, caption: str, rows: list[tuple[Any, ...]]) -> Table:
    columns = [
        Column(tr("day"), "day"),
        Column(tr("place")),
        Column(tr("product")),
        Column(tr("active ingredient")),
        Column(tr("dose")),
        Column(tr("square metres"), "decimal", is_aside=True),
        Column(tr("against")),
        Column(tr("by")),
        Column(tr("nobody goes in until"), says=tr("As was taken from the label.")),
    ]
    return Table(name, caption, columns, rows, is_for_paper=len(rows) <= 60)


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """Treatments; None where none is recorded."""
    first, found = store.rows("SELECT min(on_date), count(*) FROM treatments")[0]
    if not found:
        return None
    places, pests, staff = place_names(store), names_of(store, "pests"), names_of(store, "staff")
    called = units(workspace.forms)
    blocks: list[Block] = [Says(text, "stop") for text in due_list(store, Wanted(days=0)).warnings]
    years = workspace.settings.records.keep_years
    blocks.insert(0, Says(tr("{treatments}, the first on {day}.", treatments=many(found, "treatment"), day=first), "lead"))
    rows = []
    for on, place, label, active, dose, unit, area, target, who, until, at in store.rows(_ROWS):
        what = (label, active, amount(dose, unit, called), area, pests.get(target, target), staff.get(who, who))
        rows.append((on, places.get(place, place), *what, closed_until(until, at)))
    if rows:
        blocks.append(_table("treatments_last", tr("The latest treatments"), rows[:_SHOWN]))
    if rows[_SHOWN:]:
        caption = tr("Earlier treatments")
        blocks.append(Fold(caption, [_table("treatments_before", caption, rows[_SHOWN:])]))
    out = store.value("SELECT count(*) FROM treatments WHERE state <> 'accepted'")
    if out:
        blocks.append(
            Says(tr("{treatments} more kept out of the books: see what to look at.", treatments=many(out, "treatment")))
        )
    blocks.append(
        Says(
            tr(
                "Nothing here is deleted, whatever its age; nursery.toml says that records are wanted for {years}. Only records"
                " that came in are here. What a product is good for, or how much of it, is not for this tool to say: the label,"
                " local rules and licensed people decide.",
                years=many(years, "year"),
            ),
            "soft",
        )
    )
    return Chapter("treatments", tr("Treatments"), blocks)
