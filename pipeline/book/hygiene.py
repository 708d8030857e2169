"""What forms about no group say of hygiene, as tables: budwood that was cut, and what was sterilised or disinfected."""

from __future__ import annotations

from pipeline.stages import Work

_RECORDS = {
    "cut_records": (
        "budwood_cut",
        dict.fromkeys(("budwood_batch", "scion", "source_block", "source_tree", "authorisation", "stored"), "VARCHAR")
        | {"buds": "BIGINT", "stored_c": "DOUBLE"},
    ),
    "sterilised": (
        "sterilise",
        dict.fromkeys(("item", "method", "team_code", "done_at", "between_cultivars", "started_at", "ended_at"), "VARCHAR")
        | dict.fromkeys(("over_midnight", "product", "location"), "VARCHAR")
        | {"temperature_c": "DOUBLE", "pieces": "BIGINT"},
    ),
}
"""Table -> (form, its answers with their types)."""


def gather_records(work: Work) -> None:
    """work.cut_records and work.sterilised: what these forms say, a row a reading; empty where a nursery's own form of that
    name asks for nothing of the kind."""
    for table, (form_id, columns) in _RECORDS.items():
        form = work.context.workspace.forms.get(form_id)
        asked = {q.name for q in form.kept} if form else set()
        listed = ", ".join(
            f"TRY_CAST({f'{chr(34)}{name}{chr(34)}' if name in asked else 'NULL'} AS {kind}) AS {name}"
            for name, kind in columns.items()
        )
        rows = f'answers."{form_id}"' if form else "(SELECT NULL::UUID AS reading_id) WHERE false"
        work.put_query(table, f"SELECT reading_id, {listed} FROM {rows}")
