"""Lists, settings and forms as tables; answers -> bookings and particulars by the forms' `ledger` columns; folded readings.

Bookings are made for every reading; only accepted submissions reach movements, counts and lots.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import fields
from typing import Any

from formpack.catalog import Form, Question, causes
from formpack.readers import Unreadable
from pipeline.lists import KINDS, MEASURED, NO_LIST, Known, ListRead, cell_faults, merged, typed
from pipeline.stages import Work
from pipeline.workspace import LISTS, MADE_FOR_PHONES

_AMOUNTS = ("opens", "counted", "kept", "leaves", "moves", "despatched", "set", "took", "failed", "unsure")
_PARTICULARS = {
    "moves_to": "moves_to",
    "place": "location",
    "coverage": "coverage",
    "team": "team_code",
    "attempt": "attempt",
    "scion": "scion",
    "batch": "budwood_batch",
}
_ASKED_BY_NAME = (
    "seed_lot",
    "sowing_code",
    "rootstock",
    "sow_date",
    "stem_mm",
    "list_date",
    "shown_count",
    "transfer_reason",
    "order_ref",
    "consignee",
    "not_ready",
    "passed_over",
    "counted_again",
    "lot_said",
    "deviceid",
    "read_at",
)
_KINDS = {
    "attempt": "BIGINT",
    "sow_date": "DATE",
    "list_date": "DATE",
    "stem_mm": "DOUBLE",
    "shown_count": "BIGINT",
    "not_ready": "BIGINT",
    "passed_over": "BIGINT",
}
_TEXT = "VARCHAR"
_LIST_ROWS = {"list_name": _TEXT, "code": _TEXT, "texts": _TEXT, "inactive_since": "DATE", "is_listed": "BOOLEAN"}


def remember_lists(work: Work) -> None:
    """work.list_rows: every code that a list has, and every one that it had when it was last looked at (kept.list_rows), with
    its row as it last stood; work.list_faults: what is wrong in the lists; work.unread_cells: days and numbers that cannot be
    read, and why."""
    workspace = work.context.workspace
    others = {f for form in workspace.forms.values() for f in form.files} - MADE_FOR_PHONES - set(LISTS)
    before: dict[str, list[Known]] = {}
    for name, code, texts, *rest in work.store.rows(f"SELECT {', '.join(_LIST_ROWS)} FROM kept.list_rows"):
        before.setdefault(name, []).append(Known(name, code, json.loads(texts), *rest))
    found = [workspace.list_read(name) for name in (*LISTS, *sorted(others))]
    for at, read in enumerate(found):  # one that was there and is lost stands as it was, and is told as any other
        had = {k.code for k in before.get(read.name, ()) if k.is_listed}
        if workspace.lacks_list(read.name) and had - {row["code"] for row in read.rows}:
            found[at] = ListRead(read.name, broken=NO_LIST)
    known = {f.name: merged(f, before.get(f.name, ()), work.context.noted_on) for f in found if f.name != "compatibility"}
    codes = {name: {k.code for k in some} for name, some in known.items()}
    read = [q.measures for form in workspace.forms.values() for q in form.with_ledger("reading")]
    measured = dict.fromkeys([*MEASURED, *(re.sub("_(min|max)$", "", what) for what in read)])
    faults = [fault for f in found for fault in (*f.faults, *cell_faults(f, codes, measured))]
    faults += [(f.file, f.broken) for f in found if f.broken]
    rows = [
        (k.list_name, k.code, json.dumps(k.row, ensure_ascii=False), k.inactive_since, k.is_listed)
        for some in known.values()
        for k in some
    ]
    work.store.connection.execute("DELETE FROM kept.list_rows WHERE list_name IN (SELECT unnest(?))", [list(known)])
    work.store.insert("kept.list_rows", list(_LIST_ROWS), rows)
    work.put("list_rows", _LIST_ROWS, rows)
    work.put("list_faults", {"place": _TEXT, "fault": _TEXT}, faults)
    unread = [
        (k.list_name, k.code, column, k.row[column], value.why)
        for some in known.values()
        for k in some
        for column, value in typed(k.list_name, k.row).items()
        if isinstance(value, Unreadable)
    ]
    work.put("unread_cells", dict.fromkeys(("list_name", "code", "field", "value", "fault"), _TEXT), unread)


def load_list(work: Work, name: str) -> None:
    """work.list_NAME from the workspace's list: days and numbers as such (empty where they cannot be read, which
    work.list_faults says), all else as text. A row that is gone stands as it last did; but an order that is gone, or no longer
    active, is no order, and so it is with limits."""
    columns = LISTS[name]
    if name == "compatibility":
        rows = work.context.workspace.list_read(name).active
    else:
        where = "is_listed AND inactive_since IS NULL" if name in ("orders", "limits") else "true"
        found = work.rows(f"SELECT texts FROM work.list_rows WHERE list_name = ? AND {where} ORDER BY code", [name])
        rows = [json.loads(texts) for (texts,) in found]
    kinds = {"integer": "BIGINT", "decimal": "DOUBLE", "date": "DATE"}
    read: list[dict[str, Any]] = [
        r | {c: None if isinstance(v, Unreadable) else v for c, v in typed(name, r).items()} for r in rows
    ]
    work.put(
        f"list_{name}",
        {c: kinds.get(KINDS.get((name, c), ""), _TEXT) for c in columns},
        [[None if (value := r.get(c)) == "" else value for c in columns] for r in read],
    )


def load_settings(work: Work) -> None:
    """work.settings: one row of what nursery.toml says of intervals, tolerances, hygiene and sizes; empty where it says
    nothing."""
    settings = work.context.workspace.settings
    values: dict[str, tuple[str, Any]] = {n: ("int", getattr(settings, n)) for n in ("group_size", "crate_size")}
    for part in (settings.intervals, settings.tolerances, settings.hygiene, settings.climate):
        values |= {f.name: (str(f.type).removesuffix(" | None"), getattr(part, f.name)) for f in fields(part)}
    kinds = {"int": "INTEGER", "float": "DOUBLE", "bool": "BOOLEAN"}
    work.put("settings", {name: kinds[kind] for name, (kind, _) in values.items()}, [tuple(v for _, v in values.values())])


def load_day(work: Work) -> None:
    """work.day: the day that counts as today."""
    work.put("day", {"as_of": "DATE"}, [(work.context.day,)])


def load_month(work: Work) -> None:
    """work.month: the first day of its month."""
    day: dt.date = work.context.day
    work.put("month", {"begins_on": "DATE"}, [(day.replace(day=1),)])


def _remember_versions(work: Work) -> None:
    """work.form_versions: every version of a form that is known here, what it asked, and whether phones have no later one to
    fetch. What a version asks is kept from when it went to the phones, or last stood in the sheets."""
    forms = work.context.workspace.forms.values()
    known = {(f, v): (asked, out) for f, v, asked, out in work.store.rows(f"SELECT {_VERSIONS} FROM kept.form_versions")}
    seen = []
    for form in forms:
        if not known.get((form.form_id, form.version), ("", False))[1]:
            known[form.form_id, form.version] = (json.dumps(sorted(q.name for q in form.kept)), False)
            seen.append((form.form_id, form.version, *known[form.form_id, form.version]))
    if seen:
        work.store.connection.execute(
            "INSERT OR REPLACE INTO kept.form_versions SELECT unnest($1), unnest($2), unnest($3), unnest($4)",
            list(zip(*seen, strict=True)),
        )
    last: dict[str, int] = {}
    for (form_id, version), (_, is_out) in known.items():
        last[form_id] = max(last.get(form_id, -1), int(version) if is_out else -1)
    sheets = {(f.form_id, f.version) for f in forms}
    rows = []
    for (form_id, version), (asked, is_out) in sorted(known.items()):
        is_last = int(version) == last[form_id] if is_out else (form_id, version) in sheets and int(version) > last[form_id]
        rows.append((form_id, version, asked, is_last))
    work.put("form_versions", {"form_id": _TEXT, "version": _TEXT, "asked": _TEXT, "is_last": "BOOLEAN"}, rows)


_VERSIONS = "form_id, version, asked, is_published"


def load_forms(work: Work) -> None:
    """What the ledger needs to know of each form (the stage it brings a group to, whether it has coverage), and of causes."""
    rows = [
        (
            f.form_id,
            f.version,
            f.title,
            f.stage or None,
            bool(f.with_ledger("coverage")),
            bool(f.with_ledger("coverage") and (f.with_ledger("counted") or f.with_ledger("kept"))),
        )
        for f in work.context.workspace.forms.values()
    ]
    kinds = {"form_id": _TEXT, "version": _TEXT, "title": _TEXT, "stage": _TEXT, "has_coverage": "BOOLEAN", "counts": "BOOLEAN"}
    work.put("forms", kinds, rows)
    _remember_versions(work)
    work.put("cause_kinds", {"cause": _TEXT, "kind": _TEXT}, [(c["name"], c["kind"]) for c in causes()])


def _amounts(form: Form) -> list[Question]:
    return [q for q in form.kept if q.ledger in _AMOUNTS and q.kind == "number"]


def _bookings_sql(form: Form, rows: str) -> list[str]:
    queries = []
    for q in _amounts(form):
        other = q.cause.removeprefix("${").removesuffix("}") if q.cause.startswith("${") else ""
        cause = f'a."{other}"' if other else f"nullif('{q.cause}', '')"
        queries.append(
            f"SELECT reading_id, group_code, '{form.form_id}' AS form_id, '{q.ledger}' AS word, '{q.name}' AS question,"
            f" {cause} AS cause, {str(bool(other)).lower()} AS is_reported, '{q.unit}' AS unit,"
            f' a."{q.name}"::BIGINT AS quantity FROM {rows} a WHERE a."{q.name}" IS NOT NULL'
        )
    return queries


def _particulars_sql(form: Form, rows: str) -> str:
    columns = []
    for word, name in _PARTICULARS.items():
        found = form.with_ledger(word)
        source = "coalesce(" + ", ".join(f'"{q.name}"' for q in found) + ")" if found else "NULL"
        columns.append(f"{source}::{_KINDS.get(name, _TEXT)} AS {name}")
    names = {q.name for q in form.kept}
    for name in _ASKED_BY_NAME:
        columns.append(f"{f'{chr(34)}{name}{chr(34)}' if name in names else 'NULL'}::{_KINDS.get(name, _TEXT)} AS {name}")
    for flag, words in _FLAGS.items():
        said = [f'"{q.name}" IS NOT NULL' for q in _amounts(form) if q.ledger in words]
        columns.append(f"{' OR '.join(said) or 'false'} AS {flag}")
    moving = [f'coalesce("{q.name}", 0)' for q in _amounts(form) if q.ledger in ("moves", "failed")]
    columns.append(f"({' + '.join(moving) or '0'})::BIGINT AS moving")
    group = "group_code" if form.has_group else "NULL::VARCHAR AS group_code"
    return f"SELECT reading_id, {group}, {', '.join(columns)} FROM {rows}"


def _measured_sql(form: Form, rows: str) -> list[str]:
    """What instruments showed: the question is what was measured, without the unit in its name."""
    return [
        f"SELECT reading_id, '{q.measures}' AS what, '{q.name}' AS question,"
        f' a."{q.name}"::DOUBLE AS value FROM {rows} a'
        f' WHERE a."{q.name}" IS NOT NULL'
        for q in form.with_ledger("reading")
        if q.kind == "number"
    ]


_NONE_MEASURED = (
    "SELECT NULL::UUID AS reading_id, NULL::VARCHAR AS what, NULL::VARCHAR AS question, NULL::DOUBLE AS value WHERE false"
)
_FLAGS = {"opens": ("opens",), "sets_buds": ("set",), "reads_buds": ("took", "failed", "unsure"), "has_taken": ("took",)}


def book_answers(work: Work) -> None:
    """work.bookings (one row an amount), work.particulars (one row a reading) and work.measured (one row for what an
    instrument showed) from every form's answers."""
    forms = work.context.workspace.forms.values()
    rows = {
        f.form_id: f'(SELECT * FROM answers."{f.form_id}" WHERE reading_id IN (SELECT key FROM touched))'
        if work.is_part
        else f'answers."{f.form_id}"'
        for f in forms
    }
    work.put_query("bookings", " UNION ALL ".join(q for f in forms for q in _bookings_sql(f, rows[f.form_id])))
    work.put_query("particulars", " UNION ALL ".join(_particulars_sql(f, rows[f.form_id]) for f in forms))
    measured = [q for f in forms for q in _measured_sql(f, rows[f.form_id])]
    work.put_query("measured", " UNION ALL ".join([_NONE_MEASURED, *measured]))


def fold_lots(work: Work) -> None:
    """work.folded: the buds of each lot after all its readings."""
    from pipeline.formulas.take import fold_readings

    rows = work.rows(
        "SELECT group_code, team_code, attempt, buds_set, list({'on': read_on, 'green': green, 'brown': brown,"
        " 'unsure': unsure, 'missing': missing} ORDER BY read_on) FROM work.readings_of_lots WHERE read_on IS NOT NULL"
        " GROUP BY ALL"
    )
    folded = []
    for code, team, attempt, buds_set, visits in rows:
        counts = fold_readings(buds_set, [(v["green"], v["brown"], v["unsure"], v["missing"]) for v in visits])
        folded.append((code, team, attempt, visits[0]["on"], *counts))
    kinds = {"group_code": _TEXT, "team_code": _TEXT, "attempt": "BIGINT", "read_on": "DATE"}
    work.put("folded", kinds | dict.fromkeys(("green", "brown", "unsure", "missing"), "BIGINT"), folded)
