"""Answers -> bookings by the forms' `ledger` columns -> movements, completed counts, lots.

Bookings are made for every reading; only accepted submissions reach movements, counts and lots.
"""

from __future__ import annotations

from formpack.catalog import Form, causes
from pipeline.findings import Finding
from pipeline.intake.corrections import all_corrections, in_force
from pipeline.intake.states import Head, Settled, settle
from pipeline.store import Store
from pipeline.workspace import LISTS, Workspace

_AMOUNTS = ("opens", "counted", "kept", "leaves", "moves", "despatched", "set", "took", "failed", "unsure")
_PARTICULARS = {"moves_to": "moves_to", "place": "location", "coverage": "coverage", "team": "team_code",
                "attempt": "attempt", "scion": "scion", "batch": "budwood_batch"}  # fmt: skip
_ASKED_BY_NAME = ("seed_lot", "rootstock", "sow_date", "stem_mm", "list_date", "shown_count", "transfer_reason",
                  "order_ref", "consignee", "not_ready", "passed_over")  # fmt: skip
_EMPTY = {"attempt": "BIGINT", "sow_date": "DATE", "list_date": "DATE", "stem_mm": "DOUBLE", "shown_count": "BIGINT",
          "not_ready": "BIGINT", "passed_over": "BIGINT"}  # fmt: skip


def _bookings_sql(form: Form) -> list[str]:
    queries = []
    for q in form.kept:
        if q.ledger not in _AMOUNTS or q.kind != "number":
            continue
        other = q.cause.removeprefix("${").removesuffix("}") if q.cause.startswith("${") else ""
        cause = f'a."{other}"' if other else f"nullif('{q.cause}', '')"
        queries.append(
            f"SELECT reading_id, '{form.form_id}' AS form_id, '{q.ledger}' AS word, '{q.name}' AS question,"
            f" {cause} AS cause, {str(bool(other)).lower()} AS is_reported, '{q.unit}' AS unit,"
            f' a."{q.name}"::BIGINT AS quantity FROM answers."{form.form_id}" a WHERE a."{q.name}" IS NOT NULL'
        )
    return queries


def _particulars_sql(form: Form) -> str:
    columns = []
    for word, name in _PARTICULARS.items():
        found = form.with_ledger(word)
        source = "coalesce(" + ", ".join(f'"{q.name}"' for q in found) + ")" if found else "NULL"
        columns.append(f"{source}::{_EMPTY.get(name, 'VARCHAR')} AS {name}")
    names = {q.name for q in form.kept}
    for name in _ASKED_BY_NAME:
        columns.append(f"{f'{chr(34)}{name}{chr(34)}' if name in names else 'NULL'}::{_EMPTY.get(name, 'VARCHAR')} AS {name}")
    return f'SELECT reading_id, {", ".join(columns)} FROM answers."{form.form_id}"'


def load_lists(store: Store, workspace: Workspace) -> None:
    """The workspace's lists as tables work.list_NAME, all text."""
    import pyarrow as pa

    extra = {f for form in workspace.forms.values() for f in form.files} - {"groups"} - set(LISTS)
    for name in [*LISTS, *sorted(extra)]:
        columns = LISTS.get(name, ("code", "label"))
        rows = workspace.read_list(name)
        table = pa.table({c: pa.array([r.get(c) or None for r in rows], type=pa.string()) for c in columns})
        store.connection.register("list_in", table)
        store.connection.execute(f'CREATE OR REPLACE TABLE work."list_{name}" AS SELECT * FROM list_in')
        store.connection.unregister("list_in")
    kinds = pa.table({"cause": [c["name"] for c in causes()], "kind": [c["kind"] for c in causes()]})
    store.connection.register("kinds_in", kinds)
    store.connection.execute("CREATE OR REPLACE TABLE work.cause_kinds AS SELECT * FROM kinds_in")
    store.connection.unregister("kinds_in")


def load_forms_table(store: Store, forms: dict[str, Form]) -> None:
    """What the ledger needs to know of each form: the stage it brings a group to, whether it has coverage."""
    rows = [
        (f.form_id, f.stage or None, bool(f.with_ledger("coverage")),
         bool(f.with_ledger("coverage") and (f.with_ledger("counted") or f.with_ledger("kept"))))
        for f in forms.values()
    ]  # fmt: skip
    kinds = {"form_id": "VARCHAR", "stage": "VARCHAR", "has_coverage": "BOOLEAN", "counts": "BOOLEAN"}
    store.make("forms", kinds, rows)


def book_answers(store: Store, forms: dict[str, Form]) -> None:
    """work.bookings (one row an amount) and work.particulars (one row a reading) from every form's answers."""
    bookings = [query for form in forms.values() for query in _bookings_sql(form)]
    store.connection.execute("CREATE OR REPLACE TABLE work.bookings AS " + " UNION ALL ".join(bookings))
    particulars = [_particulars_sql(form) for form in forms.values()]
    store.connection.execute("CREATE OR REPLACE TABLE work.particulars AS " + " UNION ALL ".join(particulars))


def settle_states(store: Store, own_findings: list[Finding]) -> Settled:
    """The state of every submission, written to work.states."""
    from pipeline.findings import Rule

    store.build("heads")
    heads = [
        Head(i, form, code, day, deprecated, ended, canonical, versions, other, opens, target,
             (code, team, attempt) if sets and code else None, (code, team, attempt) if reads and code else None, reason)
        for (i, form, code, day, deprecated, ended, canonical, versions, other, opens, target, sets, reads, team,
             attempt, reason) in store.rows("SELECT * FROM work.heads")
    ]  # fmt: skip
    stopped = {f.instance_id for f in own_findings if Rule[f.rule].severity == "stop"}
    decided = in_force(all_corrections(store))
    settled = settle(heads, stopped, set(decided.withdrawn), set(decided.cleared))
    rows = [(i, s, settled.superseded_by.get(i)) for i, s in sorted(settled.states.items())]
    store.make("states", dict.fromkeys(("instance_id", "state", "superseded_by"), "VARCHAR"), rows)
    store.make("openings", {"group_code": "VARCHAR", "opened_on": "DATE"}, sorted(settled.opened_on.items()))
    return settled


def book(store: Store) -> None:
    """Movements, completed counts and lots from what is accepted."""
    store.build("accepted", "movements", "origins", "completed", "readings_of_lots")
    _fold_lots(store)
    store.build("lots", "flows", "books", "stage_events", "inherited", "stages", "places")


def _fold_lots(store: Store) -> None:
    from pipeline.formulas.take import fold_readings

    rows = store.rows(
        "SELECT group_code, team_code, attempt, buds_set, list({'on': read_on, 'green': green, 'brown': brown,"
        " 'unsure': unsure, 'missing': missing} ORDER BY read_on) FILTER (WHERE read_on IS NOT NULL)"
        " FROM work.readings_of_lots GROUP BY ALL ORDER BY ALL"
    )
    folded = []
    for code, team, attempt, buds_set, visits in rows:
        if visits:
            counts = fold_readings(buds_set, [(v["green"], v["brown"], v["unsure"], v["missing"]) for v in visits])
            folded.append((code, team, attempt, visits[0]["on"], *counts))
    kinds = {"group_code": "VARCHAR", "team_code": "VARCHAR", "attempt": "BIGINT", "read_on": "DATE"}
    store.make("folded", kinds | dict.fromkeys(("green", "brown", "unsure", "missing"), "BIGINT"), folded)
