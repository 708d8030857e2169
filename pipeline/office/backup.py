"""What can never be rebuilt, as open files: raw submissions, what was decided, states over time, codes once known, seals,
lists, forms, settings; and a manifest that says of every file what is in it."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import hashlib
import json
import re
import shutil
from collections.abc import Callable, Iterable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import duckdb

from formpack.words import marked, tr
from pipeline import seals
from pipeline.findings import Refused
from pipeline.intake import ingest
from pipeline.intake.corrections import KINDS
from pipeline.store import KEPT, LAYOUT, Store
from pipeline.workspace import Workspace, make_workspace

MANIFEST = "manifest.json"
_TABLES = tuple(name for name in KEPT if name != "raw_files")
_OF_FIRST = ("corrections", "state_changes")
"""Tables that every backup has, however old."""
_RAW = ("sha256", "file", "name", "size", "received_at", "received_on", "in_store")
_AT_ONCE = 64 * 2**20
_SHOWN = 4
"""So many places are named; of the others the number."""


@contextlib.contextmanager
def _beside(folder: Path, last: str) -> Iterator[Path]:
    """A folder beside `folder`, which is new or empty: it takes its place when all is well, `last` last, and is gone when it is
    not."""
    beside = folder.parent / f".{folder.name}.part"
    shutil.rmtree(beside, ignore_errors=True)  # of one that was stopped
    beside.mkdir(parents=True)
    moved: list[Path] = []
    try:
        yield beside
        if not folder.exists():
            beside.rename(folder)
            return
        for path in sorted(beside.iterdir(), key=lambda p: (p.name == last, p.name)):
            moved.append(path.rename(folder / path.name))
        beside.rmdir()
    except BaseException:
        for path in (beside, *moved):
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)
        raise


def _some(places: list[str]) -> str:
    shown = "; ".join(places[:_SHOWN])
    return tr("{some}; and {n} more", some=shown, n=len(places) - _SHOWN) if len(places) > _SHOWN else shown


def _copy_folder(source: Path, target: Path) -> None:
    """What stands in a folder of lists or forms, without hidden files: computers put them there, and no manifest names them. A
    link is no file of a backup."""

    def others(at: str, names: list[str]) -> list[str]:
        return [
            n for n in names if n.startswith(".") or not ((p := Path(at, n)).is_file() or (p.is_dir() and not p.is_symlink()))
        ]

    shutil.copytree(source, target, ignore=others)


def _files(folder: Path) -> dict[str, Path]:
    """Every file in a backup but the manifest, by its path in it; hidden files are passed over."""
    found = {p.relative_to(folder).as_posix(): p for p in sorted(folder.rglob("*")) if p.is_file()}
    return {name: p for name, p in found.items() if name != MANIFEST and not any(x.startswith(".") for x in name.split("/"))}


def content_of(path: Path) -> dict[str, Any]:
    """What a manifest says of a file: its size and SHA-256."""
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        while piece := file.read(2**20):
            digest.update(piece)
            size += len(piece)
    return {"size": size, "sha256": digest.hexdigest()}


# -- out


def write_backup(store: Store, workspace: Workspace, folder: Path) -> tuple[int, list[str]]:
    """Write everything into `folder`, which must be new or empty. Returns the number of raw files, and where what is kept is
    damaged: it goes out as it is. Raises Refused."""
    folder = folder.absolute()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        what = marked("{folder} is not empty; name a new folder, so that no older backup is mixed with this one.")
        raise Refused(tr(what, folder=folder))
    if inside := next((n for n in ("lists", "forms") if folder.resolve().is_relative_to((workspace.folder / n).resolve())), ""):
        what = marked("{folder} lies in {inside}/, which goes into the backup itself; name a folder outside of it.")
        raise Refused(tr(what, folder=folder, inside=inside))
    for name in ("lists", "forms"):
        if not (workspace.folder / name).is_dir():
            what = marked("The folder {name} is missing, which belongs in a backup; `formpack init` in this folder makes it.")
            raise Refused(tr(what, name=name))
    with _beside(folder, MANIFEST) as beside:
        faults = seals.faults(store.connection)
        many = _write_raw(store, beside, faults)
        for table in _TABLES:
            columns = list(_kinds(store, table))
            rows = store.connection.execute(f"SELECT {', '.join(columns)} FROM kept.{table} ORDER BY rowid")
            _write(beside / f"{table}.csv", columns, iter(rows.fetchone, None))
        for name in ("lists", "forms"):
            _copy_folder(workspace.folder / name, beside / name)
        shutil.copy(workspace.folder / "nursery.toml", beside / "nursery.toml")
        number, link = seals.last_link(store.connection)
        said = {
            "program": f"formpack {version('formpack')}",
            "layout": LAYOUT,
            "made_at": dt.datetime.now().isoformat(timespec="seconds"),
            "rows": {name: store.value(f"SELECT count(*) FROM kept.{name}") for name in KEPT},
            "last_seal": {"number": number, "link": link},
            "damaged": faults,
            "files": {name: content_of(path) for name, path in _files(beside).items()},
        }
        (beside / MANIFEST).write_text(json.dumps(said, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return many, faults


def _write_raw(store: Store, folder: Path, faults: list[str]) -> int:
    """The bytes of every kept file, and raw.csv, which names them; returns how many. Those that are damaged are left out, and
    named in `faults`."""
    (folder / "raw").mkdir()
    told = []
    for sha, name, *rest in store.rows(
        "SELECT sha256, name, size, received_at, received_on, content IS NOT NULL FROM kept.raw_files ORDER BY rowid"
    ):
        path = folder / "raw" / (sha + re.sub(r"[^a-z0-9.]", "", Path(name).suffix.lower()))
        told.append((sha, path.name, name, *rest))
        try:
            ingest.copy_out(store, sha, path)
        except Refused:
            path.unlink(missing_ok=True)
            faults.append(tr("file {name}", name=name))
    _write(folder / "raw.csv", _RAW, told)
    return len(told)


def _write(path: Path, columns: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(columns)
        table.writerows(rows)


# -- back


def faults_of(folder: Path) -> list[str]:
    """Where a backup is not what its manifest says: every file that is missing, other than it was, or more. Raises Refused
    where there is no backup, or one of a later version."""
    if not (folder / MANIFEST).exists():
        if not (folder / "raw.csv").exists():
            said = marked("{folder} is no backup (it has no {manifest} and no raw.csv); `formpack export` writes one.")
            raise Refused(tr(said, folder=folder, manifest=MANIFEST))
        said = marked("it has no {manifest} (an earlier version wrote it, or it was cut short), so nobody can tell")
        return [tr(said, manifest=MANIFEST)]
    try:
        said = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        layout, files, damaged = int(said["layout"]), dict(said["files"]), [str(d) for d in said["damaged"]]
        told = {name: {"size": content["size"], "sha256": content["sha256"]} for name, content in files.items()}
        said["last_seal"]["number"], said["last_seal"]["link"]
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return [tr("{manifest} is cut or altered", manifest=MANIFEST)]
    if layout > LAYOUT:
        what = marked("{folder} was written by a later version of formpack; use that version, or update this one.")
        raise Refused(tr(what, folder=folder))
    there = _files(folder)
    others = [name for name in sorted(told.keys() & there.keys()) if content_of(there[name]) != told[name]]
    return [
        *(tr("{fault}, as it was when this was written", fault=d) for d in damaged),
        *(tr("{name} is missing", name=name) for name in sorted(told.keys() - there.keys())),
        *(tr("{name} is not of this backup", name=name) for name in sorted(there.keys() - told.keys())),
        *(tr("{name} is not what was written", name=name) for name in others),
    ]


def _not_whole(folder: Path, faults: list[str]) -> Refused:
    said = marked("{folder} is not whole: {faults}. Take another backup; --unproved reads what there is of this one.")
    return Refused(tr(said, folder=folder, faults=_some(faults)))


@contextlib.contextmanager
def restored(source: Path, folder: Path, is_proved: bool = True) -> Iterator[tuple[Workspace, list[str]]]:
    """A new workspace from a backup, and where that is not whole (nowhere, where it has to be proved). It stands at `folder`
    when the block ends well; else nothing is left of it. Raises Refused."""
    source, folder = source.absolute(), folder.absolute()
    if (folder / "store.duckdb").exists():
        raise Refused(tr("{folder} has a store already; restore into a new folder: --workspace NEW.", folder=folder))
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(tr("{folder} is not empty; restore into a new folder: --workspace NEW.", folder=folder))
    if folder.resolve().is_relative_to(source.resolve()):
        said = marked("{folder} lies in the backup, which is not to be changed; restore outside of it: --workspace NEW.")
        raise Refused(tr(said, folder=folder))
    faults = faults_of(source)
    if faults and is_proved:
        raise _not_whole(source, faults)
    with _beside(folder, "store.duckdb") as beside:
        for name in ("lists", "forms"):
            if (source / name).is_dir():
                _copy_folder(source / name, beside / name)
        if (source / "nursery.toml").exists():
            shutil.copy(source / "nursery.toml", beside / "nursery.toml")
        make_workspace(beside)
        workspace = Workspace(beside)
        with Store.open(workspace.store_file) as store, store.transaction(is_sealed=False):
            faults += _fill(store, source, is_proved)
        yield workspace, faults


def _fill(store: Store, source: Path, is_proved: bool) -> list[str]:
    """Fill the kept tables of a new store. Returns what could not be read, or is not what was sealed. Raises Refused for that
    where it has to be proved."""
    run = store.connection.execute
    run("DELETE FROM kept.seals")
    former = _layout_of(source)
    if former:  # the seals are of that layout
        run("UPDATE kept.layout SET number = ?", [former])
    try:
        faults = _read_raw(store, source)
        for table in _TABLES:
            path = source / f"{table}.csv"
            if path.exists() or table in _OF_FIRST:
                kinds = _kinds(store, table)
                store.insert(f"kept.{table}", list(kinds), [tuple(r[c] for c in kinds) for r in _read(path, kinds)])
            elif table == "file_names":
                run("INSERT INTO kept.file_names SELECT sha256, name, received_at FROM kept.raw_files")
    except duckdb.ConstraintException as wrong:
        said = marked("{folder} has something twice ({why}); take another backup.")
        raise Refused(tr(said, folder=source, why=str(wrong).splitlines()[0])) from None
    sealed = seals.faults(store.connection)
    if (source / "seals.csv").exists():  # else they are of a version that had none
        faults += sealed
    if is_proved:
        last = json.loads((source / MANIFEST).read_text(encoding="utf-8"))["last_seal"]
        if seals.last_link(store.connection) != (last["number"], last["link"]):
            faults.append(tr("the last seal is not that of the manifest"))
        if faults:
            raise _not_whole(source, faults)
    elif sealed:  # what was sealed is not there any more: what there is, is sealed anew
        run("DELETE FROM kept.seals")
        seals.add(store.connection, None)
    if former:
        before = seals.begin(store.connection)
        run("UPDATE kept.layout SET number = ?", [LAYOUT])
        seals.add(store.connection, before)
    return faults


def _layout_of(source: Path) -> int:
    """The layout of a backup, where it is a former one that has seals; else 0."""
    if not (source / "seals.csv").exists():
        return 0
    try:
        layout = int(json.loads((source / MANIFEST).read_text(encoding="utf-8"))["layout"])
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return 0
    return layout if 0 < layout < LAYOUT else 0


def _read_raw(store: Store, source: Path) -> list[str]:
    """The raw files of a backup, some at a time. Returns those that are not what came in: they are left out."""
    faults: list[str] = []
    some: list[tuple[Any, ...]] = []
    kinds = _kinds(store, "raw_files") | {"file": "VARCHAR", "in_store": "BOOLEAN"}
    columns = ("sha256", "name", "size", "content", "received_at", "received_on")
    held = 0
    for row in _read(source / "raw.csv", kinds, {"size": "0", "in_store": "True", "content": ""}):
        name, sha = str(row["file"]), str(row["sha256"])
        if not re.fullmatch(r"[0-9a-f]{64}[a-z0-9.]*", name):
            raise Refused(tr("{file}: {name} is not the name of a kept file.", file=source / "raw.csv", name=repr(name)))
        path = source / "raw" / name
        content = content_of(path) if path.is_file() else {}
        if content.get("sha256") != sha:
            faults.append(tr("raw/{file} ({name}) is missing or not what came in", file=name, name=row["name"]))
            continue
        if row["in_store"]:
            held += content["size"]
        else:
            assert store.kept is not None
            target = ingest.apart(store.kept, sha)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
        kept = path.read_bytes() if row["in_store"] else None
        some.append((sha, row["name"], content["size"], kept, row["received_at"], row["received_on"]))
        if held > _AT_ONCE or len(some) == 500:
            store.insert("kept.raw_files", columns, some)
            some, held = [], 0
    store.insert("kept.raw_files", columns, some)
    return faults


def _kinds(store: Store, table: str) -> dict[str, str]:
    """The columns of a kept table with their types."""
    return {name: kind for name, kind, *_ in store.rows(f"DESCRIBE kept.{table}")}


_AS: dict[str, Callable[[str], Any]] = {
    "BIGINT": int,
    "DATE": dt.date.fromisoformat,
    "TIMESTAMP": dt.datetime.fromisoformat,
    "BOOLEAN": lambda text: text == "True",
}


def _read(path: Path, kinds: dict[str, str], otherwise: dict[str, str] | None = None) -> Iterator[dict[str, Any]]:
    """The rows of a table of a backup, of the types given; `otherwise` has what columns say that earlier versions lack. Raises
    Refused."""
    try:
        csv.field_size_limit(2**31 - 1)
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file, strict=True):
                texts = (otherwise or {}) | row
                if None in texts or None in texts.values():
                    raise ValueError(tr("a row is cut, or too long"))
                values = {
                    c: _AS[kind](texts[c]) if kind in _AS and texts[c] else None if kind in _AS else texts[c]
                    for c, kind in kinds.items()
                }
                if values.get("kind", "correct") not in KINDS:
                    raise ValueError(tr("{kind} is no kind of correction", kind=repr(values["kind"])))
                yield values
    except (OSError, KeyError, ValueError, csv.Error) as wrong:
        raise Refused(tr("{file} cannot be read as part of a backup: {why}.", file=path, why=repr(wrong))) from None
