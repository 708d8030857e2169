"""The whole run on one screen: what came in -> what is known -> what is written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path

from pipeline import tables
from pipeline.book import discrepancies, ledger, reconcile
from pipeline.findings import Finding, Refused
from pipeline.intake import ingest, validate
from pipeline.intake.corrections import all_corrections, in_force
from pipeline.intake.ingest import Kept, Progress
from pipeline.intake.states import STATES
from pipeline.office.problem_list import Desk, Verdict, decide_list, read_list
from pipeline.rates import losses, outlook, takes
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.workspace import LISTS, Workspace


def no_progress(what: str, done: int, of: int) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class Imported:
    """What an import did. `states` holds the number of submissions in each state after it."""

    files: int
    new_files: int
    new_submissions: int
    states: dict[str, int]
    stops: int
    notes: int
    waiting: int


def the_day(settings: Settings, as_of: dt.date | None) -> dt.date:
    """The day that "today" means: as asked for, as the workspace fixes it, or the calendar's."""
    return as_of or settings.today or dt.date.today()


def _put_settings(store: Store, settings: Settings, day: dt.date) -> None:
    values: dict[str, object] = {"as_of": day, "group_size": settings.group_size, "crate_size": settings.crate_size}
    for part in (settings.intervals, settings.tolerances):
        values |= {f.name: getattr(part, f.name) for f in fields(part)}
    kinds = {dt.date: "DATE", int: "INTEGER", float: "DOUBLE"}
    store.make("settings", {name: kinds[type(value)] for name, value in values.items()}, [tuple(values.values())])


def digest(store: Store, workspace: Workspace, day: dt.date, progress: Progress = no_progress) -> None:
    """Everything after the bytes are kept, in one transaction: parse, read, check, book, reconcile, estimate."""
    forms = workspace.forms
    with store.transaction():
        _put_settings(store, workspace.settings, day)
        ledger.load_lists(store, workspace)
        ledger.load_forms_table(store, forms)
        ingest.parse(store, progress)
        validate.read_answers(store, forms, progress)
        store.build("current")
        findings = validate.judge_rules(store, forms)
        ledger.book_answers(store, forms)
        findings += ledger.settle_states(store, findings).findings
        ledger.book(store)
        reconcile.reconcile(store, workspace.settings, day)
        store.build("counts", "standing", "unrecorded")
        discrepancies.put_in_words(store, workspace.settings)
        store.build("discrepancies", "staff_counting", "due", "notes", "submissions")
        findings += [Finding(*row) for row in store.rows("SELECT * FROM work.notes")]
        takes.estimate_takes(store)
        losses.estimate_losses(store)
        store.build("ladder", "step_counts")
        takes.compare_times(store)
        takes.compare_off_types(store)
        outlook.project(store, workspace.settings, day)
        cleared = in_force(all_corrections(store)).cleared
        tables.write_problems(store, [f for f in findings if (f.instance_id, f.rule) not in cleared], forms)
        _log_states(store)
        tables.publish_views(store)


def _log_states(store: Store) -> None:
    """Note, for the history of each submission, when its state became another."""
    store.connection.execute(
        "INSERT INTO kept.state_changes SELECT $1, s.instance_id, s.state FROM work.states s LEFT JOIN"
        " (SELECT instance_id, arg_max(state, rowid) AS state FROM kept.state_changes GROUP BY instance_id) b"
        " USING (instance_id) WHERE b.state IS DISTINCT FROM s.state ORDER BY s.instance_id",
        [dt.datetime.now()],
    )


def counts_of_states(store: Store) -> dict[str, int]:
    """How many submissions are in each of the five states."""
    found = dict(store.rows("SELECT state, count(*) FROM work.states GROUP BY state"))
    return {state: int(found.get(state, 0)) for state in STATES}


def import_files(
    workspace: Workspace, paths: Iterable[Path], as_of: dt.date | None = None, progress: Progress = no_progress
) -> Imported:
    """Keep and take in the files; what was kept by an earlier run that did not end is taken in too."""
    day = the_day(workspace.settings, as_of)
    workspace.forms  # noqa: B018  a form that cannot be used is said before anything is opened
    with Store.open(workspace.store_file) as store:
        before = store.value("SELECT count(DISTINCT instance_id) FROM work.received")
        kept: Kept = ingest.keep(store, paths, day, progress)
        digest(store, workspace, day, progress)
        after = store.value("SELECT count(DISTINCT instance_id) FROM work.received")
        states = counts_of_states(store)
        severities = dict(store.rows("SELECT severity, count(*) FROM problems GROUP BY severity"))
        return Imported(kept.files, kept.new, after - before, states, int(severities.get("stop", 0)),
                        int(severities.get("note", 0)), states["waiting"])  # fmt: skip


def take_decisions(workspace: Workspace, file: Path, by: str, undo: bool, as_of: dt.date | None) -> list[Verdict]:
    """Take in a list of problems with decisions, and bring the tables up to them. Raises Refused."""
    names = [name for name in LISTS if name != "compatibility"]
    lists = {name: {row["code"] for row in workspace.read_list(name)} for name in names}
    if by not in lists["staff"]:
        raise Refused(f"--by {by}: there is no such code in lists/staff.csv; a correction has a name to it.")
    rows = list(read_list(file))
    with Store.open(workspace.store_file, make=False) as store:
        refresh(store, workspace, as_of)
        with store.transaction():
            desk = Desk(store, workspace.forms, lists, by, dt.datetime.now())
            verdicts = decide_list(desk, rows, undo)
        refresh(store, workspace, as_of)
    return verdicts


def refresh(store: Store, workspace: Workspace, as_of: dt.date | None = None) -> dt.date:
    """Bring the tables to the day asked for, with the lists, forms and settings as they are now."""
    day = the_day(workspace.settings, as_of)
    digest(store, workspace, day)
    return day


def differs_when_rebuilt(store: Store, workspace: Workspace) -> list[str]:
    """The tables that come out otherwise when made again from what is kept, in a store in memory."""
    day = store.value("SELECT as_of FROM work.settings")
    with Store.in_memory() as again:
        for table in ("raw_files", "corrections", "state_changes"):
            rows = store.connection.sql(f"SELECT * FROM kept.{table} ORDER BY rowid").to_arrow_table()
            again.connection.register("copied", rows)
            again.connection.execute(f"INSERT INTO kept.{table} SELECT * FROM copied")
            again.connection.unregister("copied")
        digest(again, workspace, day)
        differing = []
        for name in tables.TABLES:
            query = f'SELECT * FROM main."{name}" ORDER BY ALL'
            if store.rows(query) != again.rows(query):
                differing.append(f"table {name}")
    return differing


def rebuild(store: Store, workspace: Workspace, as_of: dt.date | None = None) -> dt.date:
    """Drop everything that can be made again, and make it again from what is kept."""
    with store.transaction():
        for schema, name, kind in store.rows(
            "SELECT table_schema, table_name, table_type FROM information_schema.tables"
            " WHERE table_schema IN ('main', 'work', 'answers') ORDER BY table_schema = 'work'"
        ):
            store.connection.execute(f'DROP {"VIEW" if kind == "VIEW" else "TABLE"} {schema}."{name}"')
        store.make_schema()
    return refresh(store, workspace, as_of)
