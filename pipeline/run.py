"""The whole run on one screen: what came in -> what is known -> what is written."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from formpack import words
from formpack.readers import Unreadable, date, text_of
from formpack.words import listed, marked, tr
from pipeline import seals, tables
from pipeline.findings import Refused
from pipeline.intake import days, ingest
from pipeline.intake.ingest import Kept, Progress
from pipeline.intake.states import STATES
from pipeline.lists import is_active
from pipeline.settings import Passport, Prices, Receiver, Records, Settings
from pipeline.stages import AGAIN, Runner, Stage, code, sql, sql_text
from pipeline.store import BACK, KEPT, Store, was_stopped
from pipeline.workspace import LISTS, MADE_FOR_PHONES, Workspace

if TYPE_CHECKING:
    from pipeline.office.desk import Verdict

GROUP = "group_code"
_LIST_FILES = " ".join(f"list:{name}" for name in LISTS)

STAGES: tuple[Stage, ...] = (
    # lists, settings, forms and the day, as tables
    code("book.ledger.remember_lists", "list_rows list_faults unread_cells", f"forms: list:others {_LIST_FILES}"),
    *(code("book.ledger.load_list", f"list_{name}", f"list_rows list:{name}", about=(name,)) for name in LISTS),
    code("book.ledger.load_settings", "settings", "settings:"),
    code("book.ledger.load_day", "day", "day:"),
    code("book.ledger.load_month", "month", "month:"),
    code("book.ledger.load_forms", "forms cause_kinds form_versions", "forms: versions:"),
    # intake: what came in, read and checked, and a state each
    code(
        "intake.validate.read_answers",
        "answers received readings reading_findings headings",
        "files: forms: form_versions corrections:",
    ),
    code("book.ledger.book_answers", "bookings particulars measured", "answers", "reading_id", "forms:"),
    sql("current", "instance_id", beside="particulars measured"),
    code("intake.validate.find_unlisted", "unlisted lapsed", "answers", "reading_id", "forms: list_rows"),
    code("book.log_records.load_hygiene", "cut_records sterilised", "answers forms:"),
    code("intake.states.load_decisions", "withdrawn cleared", "corrections:"),
    sql("cut_codes"),
    sql("own_findings"),
    code("intake.ingest.load_not_taken", "not_taken", "taken:"),
    code("intake.states.settle", "states openings state_findings", "current own_findings withdrawn cleared"),
    sql("held_back"),
    # the book: movements, counts, lots, by group
    sql("horizon"),
    sql("accepted", GROUP, "forms horizon"),
    sql("cuts"),
    sql("budwood_batches"),
    sql("budwood"),
    sql("outgoing", GROUP, "cause_kinds"),
    sql("arrivals", GROUP, by={"outgoing": "other_group"}),
    sql("movements", GROUP),
    sql("origins"),
    sql("sources"),
    code("book.log_records.load_seed", "sown emergence_counts", "answers current states horizon forms:"),
    sql("drawn"),
    sql("sowings"),
    sql("completed", GROUP),
    sql("readings_of_lots", GROUP),
    code("book.ledger.fold_lots", "folded", "readings_of_lots", GROUP),
    sql("lots", GROUP),
    sql("growing_events", GROUP),
    code("book.growing.follow_scions", "growing", "growing_events"),
    sql("flows", GROUP),
    sql("books", GROUP),
    sql("stage_events", GROUP),
    sql("inherited"),
    sql("budded_since"),
    sql("stages", GROUP),
    sql("deliveries"),
    code("field.despatch.load_papers", "papers paper_lines paper_known", "papers:"),
    sql("on_paper"),
    sql("given_places", GROUP),
    sql("placings"),
    sql("places"),
    sql("houses"),
    sql("place_faults"),
    # what instruments showed at places
    sql("place_ways"),
    sql("place_limits"),
    sql("climate"),
    code("book.climate.sum_up", "reading_months", "climate settings:"),
    sql("climate_notes"),
    # of places: scouting and treatments
    code("book.log_records.load_of_places", "scouted treated", "answers current", "", "forms:"),
    sql("walks"),
    sql("treatments"),
    code("rates.scouting.estimate_incidence", "incidence wanted", "walks settings:"),
    # what really stands: the chain of counts of each group, then what only two groups together show
    sql("live_plants", GROUP),
    sql("chain_nodes", GROUP, "houses"),
    sql("of_others", "house"),
    sql("of_walk", "walk"),
    sql("chain_input", GROUP),
    sql("chain_jumps", GROUP),
    code(
        "book.reconcile.draw_sample",
        "learned_from learned_jumps",
        "accepted movements flows completed live_plants stage_events openings inherited placings books houses chain_input"
        " chain_jumps month",
    ),
    code("book.reconcile.learn_rates", "counting_rates people", "learned_from learned_jumps settings:"),
    code("book.reconcile.believe_alone", "alone alone_ends", "chain_input chain_jumps", GROUP, "counting_rates settings:"),
    code(
        "book.between_groups.find_exchanged",
        "exchanged exchanged_beliefs exchanged_ends",
        "alone chain_input chain_jumps chain_nodes counting_rates settings:",
    ),
    code(
        "book.between_groups.find_moves",
        "paired_moves paired_beliefs paired_ends",
        "alone alone_ends exchanged exchanged_beliefs exchanged_ends chain_input chain_jumps chain_nodes origins"
        " counting_rates settings:",
    ),
    sql("chain_beliefs", GROUP),
    sql("chain_ends", GROUP),
    code("book.reconcile.stand_now", "stands_now", "chain_ends books stages", GROUP, "counting_rates day"),
    sql("counts", GROUP, "settings"),
    sql("standing", GROUP, "settings horizon"),
    sql("unrecorded", GROUP),
    code("book.totals.share_doubt", "shared_doubt", "counts unrecorded people counting_rates"),
    code("book.totals.add_up", "standing_sums", "standing stands_now houses shared_doubt"),
    sql("owed"),
    sql("remainders", GROUP, "settings"),
    sql("trees"),
    sql("allotted"),
    code(
        "book.discrepancies.put_in_words",
        "doubts",
        "counts standing day exchanged unrecorded chain_jumps chain_beliefs movements settings: language:",
    ),
    sql("discrepancies"),
    sql("counted_by"),
    code("book.people.judge_counting", "staff_counting", "counted_by counts standing language:"),
    sql("unread_lots", GROUP, "settings"),
    sql("due", GROUP, "settings day"),
    sql("list_notes"),
    sql("column_gaps"),
    sql("table_notes"),
    sql("version_notes"),
    sql("day_notes"),
    sql("paper_notes"),
    sql("hygiene"),
    sql("blade_works"),
    sql("hygiene_notes"),
    sql("place_notes"),
    sql("seed_notes"),
    sql("notes", GROUP, "settings list_compatibility budwood_batches list_seed_lots"),
    code(
        "tables.write_problems",
        "problems",
        "own_findings state_findings notes held_back list_notes table_notes version_notes day_notes paper_notes hygiene_notes"
        " place_notes climate_notes seed_notes column_gaps cleared current states openings forms: list_rows language:",
    ),
    # rates: how seed comes up, how buds take, how plants are lost, what is ahead
    code("rates.emergence.estimate_emergence", "emergence", "sowings"),
    sql("lot_places"),
    code("rates.takes.estimate_takes", "take_rates take_spread team_ratios", "lots lot_places"),
    sql("teams"),
    sql("chain_falls", GROUP),
    sql("vanished", GROUP),
    sql("quiet_moves", GROUP),
    sql("lineage"),
    sql("place_risks", GROUP),
    code("rates.places.compare_places", "place_losses", "place_risks houses"),
    sql("place_rates"),
    sql("life_events", GROUP),
    sql("budded_from"),
    sql("budded_life", GROUP),
    sql("placed_changes", GROUP),
    sql("stage_losses", GROUP),
    code(
        "rates.followed.follow_plants",
        "stage_plants",
        "movements stage_events vanished quiet_moves standing inherited lineage origins stage_losses",
    ),
    code(
        "rates.losses.estimate_losses",
        "survival loss_causes survival_tests",
        "life_events budded_life budded_from stage_losses stage_plants origins",
    ),
    sql("bridge"),
    sql("ladder"),
    sql("month_levels", GROUP, "month day"),
    sql("month_parts"),
    sql("month_sums"),
    code("rates.months.hold_against", "months", "month_sums"),
    sql("step_counts", GROUP),
    sql("cut_times", GROUP),
    sql("beside_units"),
    code("rates.beside.set_beside", "beside", "beside_units"),
    code("rates.takes.compare_times", "timeliness", "lots cut_times settings"),
    sql("off_types"),
    code("rates.takes.compare_off_types", "off_type", "off_types list_rootstocks"),
    code("rates.outlook.estimate_ages", "stage_ages", "stage_events origins lots movements standing day"),
    code(
        "rates.outlook.project",
        "projection orders unknown_steps",
        "step_counts stage_ages owed allotted standing remainders origins lots day settings:",
    ),
)
"""Every stage, in order."""
EVERYTHING = tuple(dict.fromkeys(name for stage in STAGES for name in stage.makes))
_VIEWS = {"submissions": ("current", "states")} | {name: (of,) for name, of in tables.SHOWN_AS.items()}
"""Tables of the contract that are no tables of their own, with what they show."""


def no_progress(what: str, done: int, of: int) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class Context:
    """What stages are given beside the store."""

    workspace: Workspace
    day: dt.date
    progress: Progress
    noted_on: dt.date
    """The day under which it is kept that a row of a list is gone: not one that is only looked at."""


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
    not_taken: int


def the_day(settings: Settings, as_of: dt.date | None) -> dt.date:
    """The day that "today" means: as asked for, as the workspace fixes it, or the calendar's. Raises Refused for one that no
    answer can have."""
    day = as_of or settings.today or dt.date.today()
    if isinstance(found := date(day.isoformat()), Unreadable):
        raise Refused(
            tr(
                "Today is taken to be {day} ({whence}), which {why}; {remedy}.",
                day=day.isoformat(),
                whence=_whence(settings, as_of),
                why=found.why,
                remedy=_put_right(settings, as_of),
            )
        )
    return day


def _whence(settings: Settings, as_of: dt.date | None) -> str:
    """Where the day has been taken from, in words."""
    if as_of:
        return tr("so says --as-of")
    return tr("so says `today` in nursery.toml") if settings.today else tr("so says this computer")


def _put_right(settings: Settings, as_of: dt.date | None) -> str:
    """How a wrong day is put right, in words."""
    if as_of:
        return tr("say another day with --as-of")
    if settings.today:
        return tr("put `today` in nursery.toml right or take it out, or say `--as-of DAY`")
    return tr("set this computer's calendar right, or say `--as-of DAY`")


_UNREAD: dict[str, Any] = {"prices": Prices(), "passport": Passport(), "receiver": Receiver(), "records": Records()}
"""Settings that no stage reads."""


def _inputs(store: Store, workspace: Workspace, day: dt.date) -> dict[str, str]:
    """The marks of what people and phones change."""
    files, corrections = (store.rows(f"SELECT count(*), max(rowid) FROM kept.{t}")[0] for t in ("raw_files", "corrections"))
    named = [
        store.rows(f"SELECT count(*), bit_xor(hash(n)) FROM kept.{table} n")
        for table in ("file_names", "named_forms", "passed_over")
    ]
    out = store.rows("SELECT count(*), bit_xor(hash(v)) FROM kept.form_versions v WHERE is_published")
    marks = {f"list:{name}": _digest([workspace.lists / f"{name}.csv"]) for name in LISTS}
    others = sorted(p for p in workspace.lists.glob("*.csv") if p.stem not in LISTS)
    return marks | {
        "list:others": _digest(others),
        "forms:": workspace.forms_mark(),
        "settings:": repr(replace(workspace.settings, today=None, **_UNREAD)),
        "day:": day.isoformat(),
        "month:": f"{day:%Y-%m}",
        "language:": words.current(),
        "files:": repr((files, named)),
        "taken:": repr(store.rows("SELECT * FROM kept.not_taken ORDER BY ALL")),
        "versions:": repr(out),
        "corrections:": repr(corrections),
        "papers:": repr(store.rows("SELECT count(*), max(number) FROM kept.printed WHERE kind = 'despatch'")),
    }


def _digest(paths: Iterable[Path]) -> str:
    mark = hashlib.sha256()
    for path in paths:
        mark.update(f"{path.name}\0{text_of(path)!r}\0".encode())
    return mark.hexdigest()


def _runner(
    store: Store, workspace: Workspace, day: dt.date, progress: Progress = no_progress, noted_on: dt.date | None = None
) -> Runner:
    return Runner(store, STAGES, _inputs(store, workspace, day), Context(workspace, day, progress, noted_on or day))


def _tables(names: Iterable[str]) -> list[str]:
    answers = ("answers", "current", "states")
    return [t for name in names for t in (answers if name.startswith("answers_") else _VIEWS.get(name, (name,)))]


def bring_up(
    store: Store,
    workspace: Workspace,
    day: dt.date,
    names: Iterable[str] = EVERYTHING,
    progress: Progress = no_progress,
    when_read: Callable[[], None] | None = None,
) -> list[str]:
    """Make what is not fresh of these tables and of what they rest on, in one transaction. An import is told when what came in
    has been read. Returns the stages that ran. Raises Refused where something is there that is not as it was made: nothing is
    made from that."""
    calendar = workspace.settings.today or dt.date.today()
    store.set_threads()
    with store.transaction():
        store.make_schema()
        noted_on = day if when_read else max(calendar, days.last_day(store) or calendar)
        runner = _runner(store, workspace, day, progress, noted_on)
        wanted = _tables(names)
        _refuse(runner.damaged(wanted if runner.is_fresh(wanted) else None))
        done = []
        if when_read:
            done = runner.bring_up(["received"], progress)
            when_read()
        done += runner.bring_up(wanted, progress)
        made = {table for stage in STAGES if stage.name in done for table in stage.makes}
        for name in tables.TABLES:
            if tables.SHOWN_AS.get(name, name) in made:
                tables.publish_view(store, name)
        if made & {"answers", "states"}:
            tables.publish_answers(store, workspace.forms)
        if "states" in made:
            store.connection.execute(f"CREATE OR REPLACE VIEW work.submissions AS {sql_text('submissions')}")
            tables.publish_view(store, "submissions")
            _log_states(store)
        if done:
            runner.remember(done)
    return done


def damaged(store: Store, names: Iterable[str] | None = None) -> list[str]:
    """Of these tables and their views, or of all, those that are not as they were made. Raises Refused."""
    return Runner(store, STAGES, {}, None).damaged(None if names is None else [*_tables(names), *names])


def prove(store: Store, names: Iterable[str] | None = None) -> None:
    """Raise Refused where these tables are not as they were made; and, asked for all, where what is kept is not as it was
    sealed. A store of a former layout, and one that is new, have nothing to prove."""
    if not store.is_current:
        return
    if names is None and (faults := seals.faults(store.connection)):
        said = marked("Nothing is written: what is kept is damaged, at {place}. `formpack check` says more. {back}")
        raise Refused(tr(said, place=faults[0], back=tr(BACK)))
    _refuse(damaged(store, names))


def _refuse(found: list[str]) -> None:
    if found:
        said = marked("Nothing is done: these tables are not as they were made: {tables}. {again}")
        raise Refused(tr(said, tables=listed(found, 3), again=tr(AGAIN)))


@contextlib.contextmanager
def opened(
    workspace: Workspace,
    names: Iterable[str] = EVERYTHING,
    as_of: dt.date | None = None,
    progress: Progress = no_progress,
    is_published: bool = False,
) -> Iterator[tuple[Store, dt.date]]:
    """The store with these tables as of the day, and the day. Where all of it is fresh the store is open for reading only,
    so that any number of people can look at once; else it is brought up first. The tables are proved to be as they were made;
    where they are published or made, so is all that is there. Raises Refused."""
    names, day = tuple(names), the_day(workspace.settings, as_of)
    with Store.open(workspace.store_file, make=False, is_read_only=True) as store:
        if is_published:
            prove(store)
        runner = _runner(store, workspace, day) if store.is_current else None
        if runner and runner.is_fresh(_tables(names)):
            if not is_published:
                _refuse(runner.damaged([*_tables(names), *names]))
            yield store, day
            return
    with Store.open(workspace.store_file, make=False) as store:
        bring_up(store, workspace, day, names, progress)
        yield store, day


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


class Doubted(Refused):
    """The day of an import does not fit, and nobody has said that it is right all the same."""


def import_files(
    workspace: Workspace,
    paths: Iterable[Path],
    as_of: dt.date | None = None,
    progress: Progress = no_progress,
    show: Iterable[str] = ("submissions", "problems"),
    form: str = "",
    again: bool = False,
    is_sure: bool = False,
) -> Imported:
    """Keep and take in the files, and bring up the tables to show; what was kept by an earlier run that did not end is taken
    in too. `form` is what the tables in these files are said to be; `again` is to try files that are passed over. A day
    that does not fit what came in before or comes in now is refused unless somebody `is_sure` of it; all is as it was then."""
    day = the_day(workspace.settings, as_of)

    def doubted(why: str) -> Doubted:
        return Doubted(
            tr(
                "Nothing was taken in. Today is taken to be {day} ({whence}), but {why}. If {day} is wrong, {remedy}; if it is"
                " right, say `--as-of {iso} --sure`.",
                day=day,
                iso=day.isoformat(),
                whence=_whence(workspace.settings, as_of),
                why=why,
                remedy=_put_right(workspace.settings, as_of),
            )
        )

    if form and form not in workspace.forms:  # a form that cannot be used is said before anything is opened
        said = marked("--form {form}: there is no such form; the forms are {forms}.")
        raise Refused(tr(said, form=form, forms=", ".join(workspace.forms)))
    workspace.forms  # noqa: B018
    show = tuple(show)
    with Store.open(workspace.store_file) as store:
        if not store.is_current:
            bring_up(store, workspace, day, show)
        before = store.value("SELECT count(DISTINCT instance_id) FROM work.received")
        last = days.last_day(store)
        if last is not None and day < last and not is_sure:
            raise doubted(
                tr(
                    "files came in on {last} already. If {last} is the wrong one, go on with --sure and correct that day where"
                    " `formpack problems` shows it",
                    last=last,
                )
            )
        kept: Kept = ingest.keep(store, paths, day, progress, form)
        if again:
            with store.transaction():
                store.connection.execute("UPDATE kept.passed_over SET program = ''")
        waiting = days.not_parsed_of(store, day)

        looked_at: list[bool] = []

        def look_at_day() -> None:
            if not is_sure and (why := days.misfit(store, day, waiting, last)):
                raise doubted(why)
            looked_at.append(True)

        try:
            bring_up(store, workspace, day, show, progress, look_at_day)
        except BaseException as wrong:
            if isinstance(wrong, Doubted) or (was_stopped(wrong) and not looked_at):  # its day was not looked at
                ingest.take_back(store, kept)
            raise
        after = store.value("SELECT count(*) FROM work.states")
        states_now = counts_of_states(store)
        severities = {}
        if "problems" in show:
            severities = dict(store.rows("SELECT severity, count(*) FROM problems GROUP BY severity"))
        return Imported(
            kept.files,
            len(kept.new),
            after - before,
            states_now,
            int(severities.get("stop", 0)),
            int(severities.get("note", 0)),
            states_now["waiting"],
            len(kept.not_taken),
        )


def choices_of(workspace: Workspace, store: Store | None = None) -> dict[str, dict[str, str]]:
    """The codes of every list that forms choose from, and what each means; with the `store`, batches that a record of cutting
    names too."""
    cut = dict(store.rows("SELECT code, code FROM work.cut_codes ORDER BY code")) if store else {}
    asked = {name for form in workspace.forms.values() for name in form.files}
    names = sorted((asked | set(LISTS)) - {*MADE_FOR_PHONES, "compatibility"})
    found = {
        name: {
            row["code"]: row.get("label") or ""
            if is_active(row)
            else tr("{label} (not active)", label=row.get("label") or "").strip()
            for row in workspace.read_list(name)
        }
        for name in names
    }
    return found | {"budwood_batches": cut | found["budwood_batches"]}


@dataclass(frozen=True)
class Moved:
    """So many submissions were in one state before decisions, and are in another after them."""

    before: str
    now: str
    submissions: int


_MOVED = """
SELECT b.state, s.state, count(*) FROM states_before b JOIN work.states s USING (instance_id)
WHERE b.state <> s.state GROUP BY ALL ORDER BY ALL
"""


def take_decisions(
    workspace: Workspace, file: Path, by: str, undo: bool, as_of: dt.date | None
) -> tuple[list[Verdict], list[Moved]]:
    """Take in a list with decisions, and bring the problems up to them; what becomes of each row, and of submissions.
    Raises Refused."""
    from pipeline.office.decision_sheet import read_sheet
    from pipeline.office.desk import Desk, decide_list

    lists = choices_of(workspace)
    if by not in lists["staff"]:
        said = marked("--by {by}: there is no such code in lists/staff.csv; a correction has a name to it.")
        raise Refused(tr(said, by=by))
    rows = list(read_sheet(file))
    day = the_day(workspace.settings, as_of)
    with Store.open(workspace.store_file, make=False) as store, store.transaction():
        bring_up(store, workspace, day, ("submissions", "problems"))
        store.connection.execute("CREATE OR REPLACE TEMP TABLE states_before AS SELECT instance_id, state FROM work.states")
        lists = choices_of(workspace, store)
        verdicts = decide_list(Desk(store, workspace.forms, lists, by, dt.datetime.now(), day), rows, undo)
        bring_up(store, workspace, day, ("submissions", "problems"))
        return verdicts, [Moved(*row) for row in store.rows(_MOVED)]


def read_only(store: Store, workspace: Workspace, day: dt.date) -> None:
    """Read what was kept, and no more."""
    with store.transaction():
        _runner(store, workspace, day).bring_up(["answers"], no_progress)


def refresh(store: Store, workspace: Workspace, as_of: dt.date | None = None, names: Iterable[str] = EVERYTHING) -> dt.date:
    """Bring tables to the day asked for, with the lists, forms and settings as they are now."""
    day = the_day(workspace.settings, as_of)
    bring_up(store, workspace, day, names)
    return day


def differs_when_rebuilt(store: Store, workspace: Workspace) -> list[str]:
    """The tables of all stages that come out otherwise when everything is made again from what is kept, in a store of its own
    that is gone afterwards. Tables that are not there yet are passed over."""
    day = store.value("SELECT as_of FROM work.day")
    beside = tempfile.TemporaryDirectory(prefix=".again-", dir=workspace.folder)
    with beside as folder, Store.open(Path(folder) / "store.duckdb") as again:
        for table in (t for t in KEPT if t != "seals"):
            rows = store.connection.sql(f"SELECT * FROM kept.{table} ORDER BY rowid").to_arrow_reader(200)
            again.connection.register("copied", rows)
            again.connection.execute(f"INSERT INTO kept.{table} SELECT * FROM copied")
            again.connection.unregister("copied")
        again.kept = store.kept
        bring_up(again, workspace, day)
        mine, anew = store.contents(), again.contents()
    return [tr("table {name}", name=name) for name, content in mine.items() if anew.get(name, content) != content]


def rebuild(store: Store, workspace: Workspace, as_of: dt.date | None = None) -> dt.date:
    """Drop everything that can be made again, and make it again from what is kept."""
    with store.transaction():
        store.make_schema()
        store.drop_what_is_made()
        return refresh(store, workspace, as_of)
