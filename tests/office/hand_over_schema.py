"""Makes pipeline/office/hand_over.schema.json from the tables of the contract, as the demo's store has them:
`python -m tests.office.hand_over_schema`."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

from pipeline import run
from pipeline.office import hand_over
from pipeline.report.columns import column_says
from pipeline.store import Store
from pipeline.tables import TABLES
from pipeline.workspace import Workspace
from tests.conftest import SAMPLES

FILE = Path(hand_over.__file__).with_name("hand_over.schema.json")
_ARROW = {
    "BIGINT": "int64",
    "INTEGER": "int32",
    "DOUBLE": "double",
    "VARCHAR": "string",
    "DATE": "date32[day]",
    "TIMESTAMP": "timestamp[us]",
    "BOOLEAN": "bool",
}
_JSON: dict[str, dict[str, Any]] = {
    "int64": {"type": ["integer", "null"]},
    "int32": {"type": ["integer", "null"]},
    "double": {"type": ["number", "null"]},
    "string": {"type": ["string", "null"]},
    "date32[day]": {"type": ["string", "null"], "format": "date"},
    "timestamp[us]": {"type": ["string", "null"], "format": "date-time"},
    "bool": {"type": ["boolean", "null"]},
}
_SUMS = {
    "cohort": "month in which the line of groups was opened, its first day",
    "rootstock": "rootstock",
    "stage": "stage that the plants were in",
    "kind": "how they were at risk: inspection (plants looked at), recorded and not_recorded (plant-days)",
    "exposure": "plants, or plant-days, at risk",
    "lost": "plants lost",
}


def schema(store: Store) -> dict[str, Any]:
    """The JSON Schema of a manifest and, in `$defs`, of a row of every table."""
    text, number = {"type": "string"}, {"type": "integer", "minimum": 0}
    code = {"type": "string", "pattern": f"^{hand_over.CODE.pattern}$"}
    moment = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d"}
    column = {"type": "object", "required": ["name", "type"], "properties": {"name": text, "type": text, "people": text}}
    table = {
        "type": "object",
        "required": ["rows", "columns"],
        "properties": {"rows": number, "columns": {"type": "array", "items": column}},
    }
    file = {
        "type": "object",
        "required": ["size", "sha256"],
        "properties": {"size": number, "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"}},
    }
    told = {
        "format": {"const": hand_over.FORMAT},
        "version": {"const": hand_over.VERSION},
        "nursery": code | {"description": "the code under which the body knows the nursery"},
        "origin": {"type": "string", "pattern": "^[0-9a-f]{16}$", "description": "tells two nurseries of one code apart"},
        "name": {"type": ["string", "null"], "description": "the nursery's name, where names go out"},
        "day": {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$", "description": "the day that counts as today in the tables"},
        "made_at": moment,
        "program": text,
        "people": {"enum": ["pseudonyms", "named"]},
        "season_begins": {"type": "integer", "minimum": 1, "maximum": 12},
        "tables": {"type": "object", "additionalProperties": table},
        "files": {
            "type": "object",
            "propertyNames": {"pattern": r"^[a-z][a-z0-9_]*/nursery=[\w-]+/season=(\d{4}|all)/\w+\.parquet$"},
            "additionalProperties": file,
        },
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Hand-over of a nursery, version {hand_over.VERSION}: nursery=CODE.json; in $defs a row of each table",
        "type": "object",
        "required": list(told),
        "properties": told,
        "$defs": {name: _rows(store, name) for name in TABLES} | {"sums_of_losses": _sums(store)},
    }


def _rows(store: Store, name: str) -> dict[str, Any]:
    kinds = {c: _ARROW[kind] for c, kind, *_ in store.rows(f'DESCRIBE main."{name}"')}
    return _table(TABLES[name][0], {c: (kind, column_says(c), hand_over.people_of(name, c)) for c, kind in kinds.items()})


def _sums(store: Store) -> dict[str, Any]:
    kinds = {c: _ARROW[kind] for c, kind, *_ in store.rows(f"DESCRIBE {hand_over.SUMS_OF_LOSSES}")}
    holds = "what plants were at risk of and lost, by the month in which their line of groups was opened"
    return _table(holds, {c: (kind, _SUMS[c], "") for c, kind in kinds.items()})


def _table(holds: str, columns: dict[str, tuple[str, str, str]]) -> dict[str, Any]:
    shown = {
        c: _JSON[kind] | {"arrow": kind, "description": says} | ({"people": people} if people else {})
        for c, (kind, says, people) in columns.items()
    }
    return {"type": "object", "description": holds, "properties": shown}


def text(store: Store) -> str:
    return json.dumps(schema(store), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as aside:
        own = Workspace(Path(aside) / "nursery")
        shutil.copytree(SAMPLES / "demo", own.folder)
        run.import_files(own, [own.inbox], show=run.EVERYTHING)
        with run.opened(own) as (store, _):
            FILE.write_text(text(store), encoding="utf-8")
