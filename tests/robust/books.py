"""The books as a store has them at this moment, with nothing brought up."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from pipeline.office.audit import proofs
from pipeline.store import Store
from pipeline.tables import TABLES
from pipeline.workspace import Workspace
from tests.conftest import ROOT, SAMPLES, new_workspace

Books = dict[str, list[tuple[Any, ...]]]
_KEPT = {
    "corrections": "* EXCLUDE (made_at)",
    "file_names": "sha256, name",
    "passed_over": "sha256, why",
    "not_taken": "place, why",
    "list_rows": "*",
    "named_forms": "*",
    "form_versions": "*",
    "printed": "* EXCLUDE (printed_at)",
}
INSIDE = ("files", "between", "marks", "changes", *_KEPT)
"""What of the books is no table of the contract."""


def module_run(module: str, *words: object) -> str:
    """What a module prints that is run in a process of its own; it must end well."""
    command = [sys.executable, "-m", module, *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, (done.stdout + done.stderr)[-4000:]
    return done.stdout


def nursery(folder: Path) -> Workspace:
    """A workspace with five files in its inbox, none of them imported."""
    workspace = new_workspace(folder)
    source = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"
    shutil.copytree(source, workspace.inbox, dirs_exist_ok=True)
    return workspace


def books(store: Store) -> Books:
    """What is kept and every table that is there, but for when it came: the contract's by their rows, those between by their
    hashes."""
    there = {name for (name,) in store.rows("SELECT view_name FROM duckdb_views() WHERE schema_name = 'main'")}
    found = {}
    for name, (_, columns) in TABLES.items():
        if name in there:
            listed = ", ".join(f'"{c}"' for c in columns if c not in ("received_at", "source"))
            found[name] = store.rows(f'SELECT {listed} FROM main."{name}" ORDER BY ALL')
    if store.layout:
        found["files"] = store.rows("SELECT sha256, name, size, content FROM kept.raw_files ORDER BY ALL")
        found["last states"] = store.rows(
            "SELECT instance_id, arg_max(state, rowid) FROM kept.state_changes GROUP BY instance_id ORDER BY ALL"
        )
    if store.is_current:
        for name, columns in _KEPT.items():
            found[name] = store.rows(f"SELECT {columns} FROM kept.{name} ORDER BY ALL")
        found["between"] = sorted(store.contents().items())
        found["marks"] = store.rows("SELECT * FROM work.state ORDER BY ALL")
        found["changes"] = store.rows("SELECT * FROM work.changes ORDER BY ALL")
    return found


def books_in(folder: Path) -> Books:
    """The books of a workspace, read only; empty where it has no store."""
    if not (folder / "store.duckdb").exists():
        return {}
    with Store.open(folder / "store.duckdb", is_read_only=True) as store:
        return books(store)


def tables_in(folder: Path) -> Books:
    """The tables of the contract as they are there."""
    return {name: rows for name, rows in books_in(folder).items() if name not in INSIDE}


def broken(folder: Path, but: tuple[str, ...] = ()) -> list[str]:
    """The proofs that do not hold in the store as it is."""
    with Store.open(folder / "store.duckdb", is_read_only=True) as store:
        return [name for name, _, places in proofs(store) if places and name not in but]
