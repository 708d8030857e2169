"""The clerk's list of problems as a workbook."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Any

from formpack.catalog import Form
from formpack.words import marked, tr
from pipeline.findings import Rule
from pipeline.intake.days import FILES
from pipeline.office.decision_sheet import BEHIND, OPEN, Choices, Row, place_in_file, write_sheet
from pipeline.office.desk import contents_of, last_number, row_key
from pipeline.store import Store

SHEET = "problems"
COLUMNS = {
    marked("how bad"): 15,
    marked("form"): 13,
    marked("group"): 12,
    marked("date"): 12,
    marked("person"): 9,
    marked("what is wrong"): 60,
    marked("what to do"): 46,
    marked("value"): 16,
    **OPEN,
    **BEHIND,
}
"""Heading -> width. Those in OPEN are for the clerk."""
_QUERY = f"""
SELECT p.severity, p.form_id, p.group_code, s.visit_date, s.staff_code, p.message, p.advice, p.value, p.field, p.rule,
    p.instance_id, f.name, s.source, concat(p.field, chr(10), p.value)
FROM problems p LEFT JOIN work.current s USING (instance_id) LEFT JOIN work.readings r USING (reading_id)
LEFT JOIN {FILES} f USING (sha256)
"""


def findings(store: Store) -> list[tuple[Any, ...]]:
    """Findings grouped by submission, the worst submission first, each with its file, where it stood in it, and its row key
    last."""
    rows = store.rows(_QUERY)
    order = list(Rule.__members__)
    worst: dict[str, tuple[int, int]] = {}
    for row in rows:
        bad = (row[0] != "stop", order.index(row[9]))
        worst[row[10]] = min(worst.get(row[10], bad), bad)
    rows.sort(key=lambda r: (worst[r[10]], r[10], r[0] != "stop", order.index(r[9]), r[8] or "", r[7] or "", r[5]))
    contents, number = contents_of(store, list(worst)), last_number(store)
    return [
        (*r[:12], place_in_file(r[11] or "", r[12] or ""), row_key(contents.get(r[10], ""), r[10], r[9], r[13], number))
        for r in rows
    ]


def write_list(
    store: Store, path: Path, forms: dict[str, Form], lists: Choices, wanted: Collection[tuple[str, str]] | None = None
) -> int:
    """Write the workbook of the findings wanted, as (submission, rule); returns the number of rows."""
    from formpack.group_code import shown

    rows = []
    for severity, form, code, day, staff, message, advice, value, field, rule, instance, file, place, key in findings(store):
        if wanted is None or (instance, rule) in wanted:
            bad = tr("keeps it out") if severity == "stop" else tr("worth a look")
            cells = (bad, form, shown(code) if code else None, day, staff, message, advice, value)
            tells = dict(zip(COLUMNS, cells, strict=False))
            tells |= dict(zip(BEHIND, (file, place, rule, instance, key), strict=True))
            rows.append(Row(tells, form or "", field or ""))
    write_sheet(path, SHEET, COLUMNS, rows, forms, lists)
    return len(rows)
