"""What can never be rebuilt, as open files: raw submissions, corrections, states over time, codes once known, lists, forms,
settings."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import re
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from pipeline.findings import Refused
from pipeline.intake.corrections import KINDS
from pipeline.store import Store
from pipeline.workspace import Workspace

_TABLES = {
    "corrections": (
        "number",
        "made_at",
        "made_by",
        "instance_id",
        "kind",
        "field",
        "old_answer",
        "new_answer",
        "rule",
        "reason",
    ),
    "state_changes": ("changed_at", "instance_id", "state"),
    "list_rows": ("list_name", "code", "texts", "inactive_since", "is_listed"),
    "named_forms": ("sha256", "form_id"),
    "form_versions": ("form_id", "version", "asked", "is_published"),
}
_LATER = {"list_rows.csv", "named_forms.csv", "form_versions.csv"}
"""Files that backups of earlier versions lack."""
_RAW = ("sha256", "file", "name", "received_at", "received_on")
_TIMES = {"made_at", "changed_at", "received_at"}


def _write(path: Path, columns: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(columns)
        table.writerows(rows)


def write_backup(store: Store, workspace: Workspace, folder: Path) -> int:
    """Write everything into `folder`, which must be new or empty; returns the number of raw files. Raises Refused."""
    if folder.exists() and any(folder.iterdir()):
        raise Refused(f"{folder} is not empty; name a new folder, so that no older backup is mixed with this one.")
    (folder / "raw").mkdir(parents=True, exist_ok=True)
    told = []
    for sha, name, received_at, received_on in store.rows(
        "SELECT sha256, name, received_at, received_on FROM kept.raw_files ORDER BY rowid"
    ):
        ending = re.sub(r"[^a-z0-9.]", "", Path(name).suffix.lower())
        path = folder / "raw" / f"{sha}{ending}"
        path.write_bytes(store.value("SELECT content FROM kept.raw_files WHERE sha256 = ?", [sha]))
        told.append((sha, path.name, name, received_at, received_on))
    _write(folder / "raw.csv", _RAW, told)
    for table, columns in _TABLES.items():
        _write(folder / f"{table}.csv", columns, store.rows(f"SELECT {', '.join(columns)} FROM kept.{table} ORDER BY rowid"))
    for name in ("lists", "forms"):
        shutil.copytree(workspace.folder / name, folder / name)
    shutil.copy(workspace.folder / "nursery.toml", folder / "nursery.toml")
    return len(told)


def _read(path: Path, columns: tuple[str, ...]) -> Iterator[dict[str, Any]]:
    if path.name in _LATER and not path.exists():
        return
    try:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file, strict=True):
                values: dict[str, Any] = {c: row[c] for c in columns}
                for column in _TIMES & set(columns):
                    values[column] = dt.datetime.fromisoformat(row[column])
                if "inactive_since" in values:
                    values["inactive_since"] = dt.date.fromisoformat(row["inactive_since"]) if row["inactive_since"] else None
                for column in {"is_listed", "is_published"} & set(columns):
                    values[column] = row[column] == "True"
                if "number" in values:
                    values["number"] = int(values["number"])
                if values.get("kind", "correct") not in KINDS:
                    raise ValueError(f"{values['kind']!r} is no kind of correction")
                yield values
    except (OSError, KeyError, ValueError, csv.Error) as wrong:
        raise Refused(f"{path} cannot be read as part of a backup: {wrong!r}.") from None


def lay_files(folder: Path, workspace_folder: Path) -> None:
    """Put the settings, lists and forms of a backup into a workspace that has none. Raises Refused."""
    if not (folder / "raw.csv").exists():
        raise Refused(f"{folder} is no backup (it has no raw.csv); `formpack export` writes one.")
    workspace_folder.mkdir(parents=True, exist_ok=True)
    if (workspace_folder / "store.duckdb").exists():
        raise Refused(f"{workspace_folder} has a store already; restore into a new folder: --workspace NEW.")
    for name in ("lists", "forms"):
        shutil.copytree(folder / name, workspace_folder / name, dirs_exist_ok=True)
    shutil.copy(folder / "nursery.toml", workspace_folder / "nursery.toml")


def read_backup(store: Store, folder: Path) -> int:
    """Fill the empty kept tables of a store from a backup; returns the number of raw files. Raises Refused."""
    files = []
    for row in _read(folder / "raw.csv", _RAW):
        name = str(row["file"])
        if not re.fullmatch(r"[0-9a-f]{64}[a-z0-9.]*", name):
            raise Refused(f"{folder / 'raw.csv'}: {name!r} is not the name of a kept file.")
        try:
            content = (folder / "raw" / name).read_bytes()
        except OSError as wrong:
            raise Refused(f"{folder / 'raw' / name} cannot be read: {wrong.strerror}.") from None
        if hashlib.sha256(content).hexdigest() != row["sha256"]:
            raise Refused(f"{folder / 'raw' / name} is not what was backed up: its SHA-256 differs.")
        day = dt.date.fromisoformat(row["received_on"])
        files.append((row["sha256"], row["name"], len(content), content, row["received_at"], day))
    with store.transaction():
        store.insert("kept.raw_files", ("sha256", "name", "size", "content", "received_at", "received_on"), files)
        for table, columns in _TABLES.items():
            rows = [tuple(r[c] for c in columns) for r in _read(folder / f"{table}.csv", columns)]
            store.insert(f"kept.{table}", columns, rows)
    return len(files)


def fill_store(workspace: Workspace, folder: Path) -> None:
    """A new store from a backup; none is left behind when the backup cannot be read. Raises Refused."""
    try:
        with Store.open(workspace.store_file) as store:
            read_backup(store, folder)
    except Refused:
        workspace.store_file.unlink(missing_ok=True)
        raise
