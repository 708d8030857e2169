"""What a nursery hands over to a body that gathers many: every table of the contract and what accepted submissions say, as
Parquet by season, with people and teams under stable pseudonyms, and a manifest that says of every file what is in it.

    DIR/nursery=CODE.json                                  the manifest
    DIR/TABLE/nursery=CODE/season=YYYY/data_0.parquet

Hand-overs of any number of nurseries stand in one folder, and what reads Parquet finds nursery and season in the names of the
folders. What manifest and tables hold is in `hand_over.schema.json`, a JSON Schema of version `VERSION`.
"""

from __future__ import annotations

import base64
import datetime as dt
import functools
import hmac
import json
import re
import secrets
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from formpack.catalog import Question
from formpack.words import marked, tr
from pipeline.findings import Refused
from pipeline.office.backup import content_of
from pipeline.outputs import Batch, together
from pipeline.settings import HandOver
from pipeline.store import Store
from pipeline.tables import TABLES, copy_out, in_order
from pipeline.workspace import LISTS, MADE_FOR_PHONES, Workspace

FORMAT, VERSION = "formpack hand-over", 1
NO_SEASON = "all"
"""The season of tables that sum over all seasons."""
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
_KEY = 32
_PEOPLE = {"staff_code": "staff", "applicator": "staff", "team_code": "teams", "consignee": "consignees"}
"""Columns that name somebody, and as what."""
_LEFT_OUT = {
    "submissions": ("source",),
    "problems": ("value", "message", "advice"),
    "discrepancies": ("advice",),
    "staff_counting": ("finding",),
    "treatments": ("weather",),
}
"""Columns of free words, or of sentences about people, in which anybody may be named."""
_CODES = frozenset(
    "sowing_code budwood_batch source_block source_tree authorisation product active_ingredient read_at done_at started_at"
    " ended_at reentry_at".split()
)
"""Answers in letters that are codes, times of day or what a product is, and name nobody."""
_LETTERS = 8
"""A key has at least so many different letters."""
_DATED = {
    "submissions": "visit_date",
    "movements": "on_date",
    "standing": "opened_on",
    "counts": "on_date",
    "discrepancies": "on_date",
    "lots": "budded_on",
    "readings": "read_on",
    "treatments": "on_date",
    "hygiene": "on_date",
    "months": "month",
    "month_parts": "month",
    "sums_of_losses": "cohort",
}
"""The day of a row, by which it belongs to a season."""
SUMS_OF_LOSSES = """
SELECT date_trunc('month', s.opened_on)::DATE AS cohort, r.rootstock,
    ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'][r.rank] AS stage, r.kind,
    sum(r.exposure)::BIGINT AS exposure, sum(r.lost)::BIGINT AS lost
FROM work.place_risks r LEFT JOIN work.standing s ON s.group_code = r.root
GROUP BY ALL ORDER BY ALL
"""
"""What plants were at risk of and lost, by the month in which their line of groups was opened: all that a body needs of it."""


@dataclass(frozen=True)
class HandedOver:
    """What was written: the manifest, and the tables with their rows."""

    manifest: Path
    rows: dict[str, int]


def settings_of(workspace: Workspace) -> HandOver:
    """How the nursery hands over. Raises Refused where its settings do not say, with the lines to be written."""
    found = workspace.settings.handover
    if not CODE.fullmatch(found.nursery) or len(found.key) < _KEY or len(set(found.key)) < _LETTERS:
        said = marked(
            "nursery.toml does not say how this nursery hands over. Write at its end three lines, with the code by which the"
            ' body knows the nursery (letters and digits, at most 32) for CODE: [handover] | nursery = "CODE" | key = "{key}".'
            " The key was drawn just now; any of {n} letters or more will do. Keep it secret and never change it: names are"
            " hidden by it."
        )
        raise Refused(tr(said, key=secrets.token_hex(_KEY // 2), n=_KEY))
    return found


def pseudonym(key: str, kind: str, code: str) -> str:
    """What stands for a code of a kind of list: the same for the same key; nobody without the key can tell of whom it is.

    The first 50 bits of HMAC-SHA-256 (RFC 2104) in the letters of base 32 (RFC 4648).
    """
    digest = hmac.digest(key.encode(), f"{kind}\0{code}".encode(), "sha256")
    return base64.b32encode(digest)[:10].decode().lower()


def origin(key: str) -> str:
    """What tells two nurseries apart that go by one code."""
    return hmac.digest(key.encode(), b"origin", "sha256").hex()[:16]


@functools.cache
def schema() -> dict[str, Any]:
    """The JSON Schema of the manifest, with the columns of every table in `tables`."""
    found: dict[str, Any] = json.loads(Path(__file__).with_name("hand_over.schema.json").read_text(encoding="utf-8"))
    return found


def columns_of(table: str) -> dict[str, str]:
    """The columns of a table of this version with their types."""
    rows = schema()["$defs"].get(table, {"properties": {}})["properties"]
    return {name: column["arrow"] for name, column in rows.items() if "people" not in column or column["people"] != "left out"}


def hand_over(store: Store, workspace: Workspace, folder: Path, day: dt.date, is_named: bool = False) -> HandedOver:
    """Write the hand-over of the nursery into `folder`, in the place of its former one. All tables must be fresh. Raises
    Refused where the folder has that of another nursery under the same code, or cannot be written."""
    how = settings_of(workspace)
    refuse_another(folder, how)
    try:
        with together(folder) as files:
            tables = {
                name: _write_table(store, query, columns, name, how, files, is_named)
                for name, (query, columns) in _queries(workspace).items()
            }
            written = {p.relative_to(files.new).as_posix(): p for p in sorted(files.new.rglob("*.parquet"))}
            said = {
                "format": FORMAT,
                "version": VERSION,
                "nursery": how.nursery,
                "origin": origin(how.key),
                "name": workspace.settings.name if is_named else None,
                "day": day.isoformat(),
                "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
                "program": f"formpack {version('formpack')}",
                "people": "named" if is_named else "pseudonyms",
                "season_begins": how.season_begins,
                "tables": tables,
                "files": {name: content_of(p) for name, p in written.items()},
            }
            text = json.dumps(said, indent=1, ensure_ascii=False) + "\n"
            files.place(manifest_of(folder, how.nursery)).write_text(text, encoding="utf-8")
            for old in folder.glob(f"*/nursery={how.nursery}/*/*.parquet"):
                if old.relative_to(folder).as_posix() not in written:
                    files.drop(old)
    except OSError as wrong:
        what = marked("The hand-over could not be written to {folder}, and what stood there stands: {why}.")
        raise Refused(tr(what, folder=folder, why=wrong.strerror or wrong)) from None
    return HandedOver(manifest_of(folder, how.nursery), {name: t["rows"] for name, t in tables.items()})


def manifest_of(folder: Path, nursery: str) -> Path:
    """Where the manifest of a nursery stands."""
    return folder / f"nursery={nursery}.json"


def refuse_another(folder: Path, how: HandOver) -> None:
    """Raises Refused where the folder has a hand-over of another nursery under this code."""
    own = origin(how.key)
    try:
        there = json.loads(manifest_of(folder, how.nursery).read_text(encoding="utf-8")).get("origin", own)
    except (OSError, ValueError, AttributeError, RecursionError):
        return
    if there != own:
        said = marked(
            "{folder} has the hand-over of another nursery under the code {nursery}, or of this one with another key;"
            " name another folder."
        )
        raise Refused(tr(said, folder=folder, nursery=how.nursery))


@dataclass(frozen=True)
class _Column:
    """Whom a column names: `kind` is the list that the code is of, `level` where it is that of a table by team, '' for nobody.
    It is left out where anybody may be named in it."""

    kind: str = ""
    is_out: bool = False


_PLAIN, _OUT = _Column(), _Column(is_out=True)


def _queries(workspace: Workspace) -> dict[str, tuple[str, dict[str, _Column]]]:
    """Of each table the query of its rows and its columns."""
    found = {name: (in_order(name), {c: _contract_column(name, c) for c in columns}) for name, (_, columns) in TABLES.items()}
    for form_id, form in workspace.forms.items():
        columns = {"instance_id": _PLAIN, "state": _PLAIN} | {q.name: _answer_column(q) for q in form.kept}
        found[f"answers_{form_id}"] = (in_order(f"answers_{form_id}"), columns)
    cohort = dict.fromkeys(("cohort", "rootstock", "stage", "kind", "exposure", "lost"), _PLAIN)
    return found | {"sums_of_losses": (SUMS_OF_LOSSES, cohort)}


def _contract_column(table: str, name: str) -> _Column:
    if name in _LEFT_OUT.get(table, ()):
        return _OUT
    return _Column("level" if name == "level" and "by" in TABLES[table][1] else _PEOPLE.get(name, ""))


def people_of(table: str, column: str) -> str:
    """`pseudonym` where a column of the contract names somebody, `left out` where anybody may be named in it, else ''."""
    how = _contract_column(table, column)
    return "left out" if how.is_out else "pseudonym" if how.kind else ""


def _answer_column(q: Question) -> _Column:
    """Words that a person types are left out, but for those that are codes; so are photos, phones and hours of work. What is
    chosen from a list of the nursery's own may be anybody."""
    if q.name in _PEOPLE:
        return _Column(_PEOPLE[q.name])
    if q.type == "select_one_from_file":
        of_people = q.list_name in ("staff", "teams") or q.list_name not in (*LISTS, *MADE_FOR_PHONES)
        return _Column(q.list_name if of_people else "")
    is_typed = q.value_type == "text" and q.type not in ("select_one", "select_multiple")
    return _OUT if is_typed and (q.name not in _CODES or q.type not in ("text", "calculate")) else _PLAIN


def _write_table(
    store: Store, query: str, columns: dict[str, _Column], name: str, how: HandOver, files: Batch, is_named: bool
) -> dict[str, Any]:
    """Write one table by season; what the manifest says of it."""
    kinds = {column: kind for column, kind, *_ in store.rows(f"DESCRIBE {query}")}
    shown = {c: _PLAIN if is_named else columns[c] for c in kinds if is_named or not columns[c].is_out}
    listed = ", ".join(_hidden(store, how.key, query, c, column) for c, column in shown.items())
    season = f"'{NO_SEASON}'"
    if day := _DATED.get(name, "visit_date" if name.startswith("answers_") else ""):
        year = f'year("{day}" - INTERVAL {how.season_begins - 1} MONTH)::VARCHAR'
        season = f"coalesce(lpad({year}, 4, '0'), '{NO_SEASON}')"
    own = files.folder / name / f"nursery={how.nursery}"
    store.connection.execute(f"CREATE OR REPLACE TEMP TABLE going_out AS SELECT {listed}, {season} AS season FROM ({query})")
    # in the order of their codes rows would tell whose pseudonym is whose
    order = "ALL" if any(column.kind for column in shown.values()) else "rowid"
    for (of,) in store.rows("SELECT DISTINCT season FROM going_out ORDER BY 1"):
        part = files.place(own / f"season={of}" / "data_0.parquet")
        rows = f"SELECT * EXCLUDE (season) FROM going_out WHERE season = '{of}' ORDER BY {order}"
        copy_out(store, rows, part, "FORMAT parquet, COMPRESSION zstd")
    return {
        "rows": store.value("SELECT count(*) FROM going_out"),
        "columns": [
            {"name": c, "type": kinds[c]} | ({"people": "pseudonym"} if column.kind else {}) for c, column in shown.items()
        ],
    }


def _hidden(store: Store, key: str, query: str, name: str, column: _Column) -> str:
    """A column as it goes out, people and teams under their pseudonyms."""
    own, kind, whose = f'"{name}"', column.kind, "true"
    if kind == "level":
        kind, whose = "teams", "\"by\" = 'team'"
    if not kind:
        return own
    found = store.rows(f"SELECT DISTINCT {own}::VARCHAR FROM ({query}) WHERE {whose} AND {own} IS NOT NULL ORDER BY 1")
    listed = ", ".join(f"'{code.replace(chr(39), chr(39) * 2)}': '{pseudonym(key, kind, code)}'" for (code,) in found)
    if not listed:
        return own
    return f"CASE WHEN {whose} THEN MAP {{{listed}}}[{own}::VARCHAR] ELSE {own}::VARCHAR END AS {own}"
