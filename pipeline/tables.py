"""The tables of the contract: their columns in order, as views of the store, and as CSV and Parquet files."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb

from formpack.catalog import Form, text_in
from formpack.group_code import is_group_code, plain, shown
from formpack.readers import NearMiss, with_near_miss
from formpack.words import listed, marked, tr, unpacked
from pipeline.findings import Finding, Refused, Rule, sentence
from pipeline.harmless import RUN, legal
from pipeline.outputs import Batch
from pipeline.stages import Work
from pipeline.store import Store


def _table(holds: str, columns: str) -> tuple[str, tuple[str, ...]]:
    return holds, tuple(columns.split())


TABLES: dict[str, tuple[str, tuple[str, ...]]] = {
    "submissions": _table(
        marked("every submission that came in, and its state"),
        "instance_id form_id form_version group_code visit_date staff_code state received_at superseded_by source",
    ),
    "problems": _table(
        marked("everything that a person should look at"),
        "instance_id form_id group_code severity rule field value message advice",
    ),
    "movements": _table(
        marked("every change of a group, in whole plants"),
        "group_code on_date form_id kind cause quantity other_group instance_id",
    ),
    "standing": _table(
        marked("what stands in each group"),
        "group_code rootstock scion stage location opened_on opened_with book_count last_count last_count_on"
        " estimate low high unrecorded_loss state mix",
    ),
    "standing_sums": _table(
        marked("what stands in groups together, with the interval of the sum"),
        "by level groups plants low high book_count",
    ),
    "counts": _table(
        marked("every completed count beside what was expected"),
        "group_code on_date form_id instance_ids counted expected expected_low expected_high p_wrong flagged",
    ),
    "discrepancies": _table(
        marked("counts and changes that do not fit"),
        "group_code on_date instance_ids counted expected difference likely_cause confidence advice other_group",
    ),
    "lots": _table(
        marked("what one team budded in one group at one attempt"),
        "group_code team_code attempt rootstock scion budwood_batch budded_on read_on days buds_set green brown"
        " unsure missing take_rate",
    ),
    "take_rates": _table(
        marked("how buds take, by level"),
        "by level lots buds_set read taken take_rate low high deff adjusted adjusted_low adjusted_high q_value flag"
        " clusters freedom adjusted_freedom",
    ),
    "budwood": _table(
        marked("each budwood batch: buds cut, set and left over, and how old it was when it was last set"),
        "budwood_batch scion source_block source_tree cut_on authorisation buds_cut buds_set left_over first_used last_used"
        " oldest_days state",
    ),
    "hygiene": _table(
        marked("cycles beside the set time and temperature; work by blades, by team and day, and disinfecting between"),
        "kind on_date item method location team_code staff_code minutes temperature_c set_minutes set_celsius groups"
        " most_groups disinfections changes not_between state instance_id",
    ),
    "place_rates": _table(
        marked("each place and house: what stands, what was lost beside what was to be expected, take, work late"),
        "by level house groups plants low high lines lost not_recorded plant_days loss_rate loss_low loss_high expected"
        " ratio ratio_low ratio_high q_value flag lots read taken take_rate take_low take_high take_adjusted"
        " take_adjusted_low take_adjusted_high take_q_value take_flag tasks_late plants_late days_late",
    ),
    "survival": _table(
        marked("how many plants come through each step"),
        "by level clock step at_risk lost left survival se low high recorded survival_recorded",
    ),
    "loss_causes": _table(
        marked("what plants are lost to"),
        "by level cause stage lost share cumulative low high share_recorded",
    ),
    "survival_tests": _table(
        marked("whether rootstocks and scions lose plants alike, groups counting as one each"),
        "by clock levels groups chi2 freedom p_value",
    ),
    "teams": _table(
        marked("each team: take plainly, fairly, by odds, and its pace"),
        "team_code lots buds_set read taken take_rate low high deff adjusted adjusted_low adjusted_high q_value"
        " flag odds_ratio odds_low odds_high days buds_a_day",
    ),
    "timeliness": _table(
        marked("what came through where buds were read early or late, or cut back late"),
        "work kind units plants through difference low high",
    ),
    "off_type": _table(
        marked("off-type culls by rootstock, beside what is published"),
        "rootstock groups lifted off_type share low high published_low published_high source verdict",
    ),
    "beside": _table(
        marked("what was done to plants beside what became of them, and what the like of them had in all; it shows no cause"),
        "outcome by level units lines at_risk came rate low high expected_rate",
    ),
    "ladder": _table(
        marked("every plant opened: lost, despatched or in the books, by stage; and what stands of it by the counts"),
        "stage lost not_recorded otherwise despatched in_the_books standing lost_share",
    ),
    "emergence": _table(
        marked("how seed comes up, by seed lot, rootstock, room and sowing, and what was lifted and planted of it"),
        "by level sowings seeds seeds_read emerged emergence_rate low high dispersion multiple multiple_of multiple_share"
        " multiple_low multiple_high days_to_count lifted planted lifted_per_seed planted_per_seed lifted_per_litre"
        " planted_per_litre",
    ),
    "bridge": _table(
        marked("one walk from what was opened by way of the book to what stands, each step with its reason"),
        "by level groups step cause stage place plants",
    ),
    "months": _table(
        marked("each month: what was begun, lost, sent out and stood at its end, and what was usual for take and losses"),
        "month until_on is_over opened culled_at_opening budded read taken take_rate take_low take_high"
        " take_usual take_usual_low take_usual_high take_chance take_chance_last take_chance_year lost"
        " not_recorded at_risk lost_rate lost_usual lost_usual_low lost_usual_high lost_chance"
        " lost_chance_last lost_chance_year delivered stands stands_low stands_high",
    ),
    "month_parts": _table(
        marked("what stood at the end of each month by stage, and what was lost in it by cause"),
        "month kind level plants low high",
    ),
    "projection": _table(
        marked("trees ready by pair and month, against open orders"),
        "rootstock scion month ready low high ordered overdue ready_until low_until high_until ordered_until"
        " shortfall chance_enough holds_80 holds_95 free free_80 free_95",
    ),
    "orders": _table(
        marked("each order: what went out for it, what is open, and whether that can be met"),
        "order_ref consignee rootstock scion wanted_on ordered delivered open days_over of_age ready short chance_met ready_in",
    ),
    "readings": _table(
        marked("what instruments showed at each place, beside the nursery's limits"),
        "location house what read_on read_at value limit_low limit_high state form_id staff_code instance_id",
    ),
    "reading_months": _table(
        marked("readings of each place by month: how many were outside the limits, and the days without one"),
        "location house what month readings limited outside outside_share outside_low outside_high lowest highest"
        " days_without longest_gap hours_outside",
    ),
    "due": _table(
        marked("what is to be done by when"),
        "group_code task due_on days_over location estimate order_ref trees",
    ),
    "incidence": _table(
        marked("what scouting found: plants affected of those examined, by level; where none was, an upper limit"),
        "by level walks examined affected rate low high deff would_find",
    ),
    "treatments": _table(
        marked("every treatment with a product: where, what, by whom, and until when nobody goes in as the label says"),
        "instance_id state on_date location house product label active_ingredient dose dose_unit area_m2 volume_l target"
        " applicator started_at ended_on ended_at reentry_on reentry_at weather staff_code",
    ),
    "staff_counting": _table(
        marked("how each person counts"),
        "staff_code counts exact_share typical_error lean rounded_share agrees_with_shown agrees_by_chance flagged finding",
    ),
}
"""Name -> (what it holds, its columns)."""
SHOWN_AS = {"readings": "climate"}
"""Tables of the contract whose name another table of the program has; `work.readings` is what submissions say."""


def plain_cell(value: Any) -> Any:
    """The value as a cell may hold it: whole texts of bytes that a workbook cannot carry are marked."""
    return legal(value)[:32000] if isinstance(value, str) else value


TASK_WORDS = {
    "bud_take": marked("Read the buds"),
    "cut_back": marked("Cut back"),
    "stake": marked("Stake"),
    "top": marked("Top"),
    "despatch": marked("Despatch"),
    "stock_count": marked("Count the stock"),
    "recount": marked("Count again"),
    "clear_out": marked("Clear out"),
}
"""The tasks of the table `due`, in words; `tr` them."""


def labels(forms: Mapping[str, Form], form_id: str = "") -> dict[str, str]:
    """What the forms call their questions, in the language that is spoken where they have it, by name; what this form asks
    too is called as it is there, and else as forms about groups call it."""
    in_turn = sorted(forms.values(), key=lambda form: (form.form_id == form_id, form.has_group))
    asked = {q.name: q for form in in_turn for q in form.questions if q.cells.get("label::English (en)")}
    return {name: q.label_spoken for name, q in asked.items()} | {
        "group_code": tr("Group code"),
        "to_group": tr("Receiving group"),
        "set_aside_to": tr("Group for the failed buds"),
    }


def what_is_allowed(form: Form | None, lists: Mapping[str, NearMiss], finding: Finding) -> Finding:
    """A finding about an answer that is none of those to choose from, with the fixed choices named and with what may have been
    meant; others as they are. `lists` knows the codes by list; `groups` are the groups there are."""
    asked = [(form, q) for q in form.questions if q.name == finding.field] if form else []
    if finding.rule == "not_in_list":
        fixed = [f.choices[q.list_name] for f, q in asked if q.type == "select_one" and q.list_name == finding.detail]
        means = {row["name"]: text_in(row, "label") for rows in fixed for row in rows}
        near = NearMiss(means, means) if fixed else lists.get(finding.detail)
        detail = f"{finding.detail} ({', '.join(means)})" if fixed else finding.detail
        return replace(finding, detail=with_near_miss(detail, near.of(finding.value) if near else ""))
    if finding.rule == "bad_code" and "groups" in lists:
        return replace(finding, detail=with_near_miss(unpacked(finding.detail), lists["groups"].of(finding.value)))
    several = [c for f, q in asked if q.type == "select_multiple" for c in f.codes(q.list_name)]
    if finding.rule == "impossible_value" and several and not finding.detail:
        return replace(finding, detail=tr("choose among {codes}, parted by spaces", codes=", ".join(dict.fromkeys(several))))
    return finding


_RANKS = ", ".join(f"('{rule.name}', '{rule.severity}')" for rule in Rule)
_FINDINGS = f"""
SELECT DISTINCT f.*, c.form_id, c.group_code, c.received_on, r.severity, r.severity <> 'stop' AS is_note
FROM (SELECT * FROM work.own_findings UNION ALL SELECT * FROM work.state_findings
    UNION ALL SELECT instance_id, rule, field, value, detail FROM work.notes UNION ALL SELECT * FROM work.list_notes
    UNION ALL SELECT * FROM work.table_notes UNION ALL SELECT * FROM work.version_notes
    UNION ALL SELECT * FROM work.day_notes UNION ALL SELECT * FROM work.paper_notes
    UNION ALL SELECT * FROM work.hygiene_notes UNION ALL SELECT * FROM work.place_notes
    UNION ALL SELECT * FROM work.climate_notes UNION ALL SELECT * FROM work.seed_notes) f
JOIN (VALUES {_RANKS}) r(rule, severity) USING (rule)
LEFT JOIN work.current c USING (instance_id)
LEFT JOIN work.states s USING (instance_id)
ANTI JOIN work.cleared x ON x.instance_id = f.instance_id AND x.rule = f.rule
ANTI JOIN work.column_gaps g ON g.instance_id = f.instance_id AND g.field = f.field AND f.rule = 'missing_answer'
WHERE coalesce(s.state, '') NOT IN ('superseded', 'withdrawn')"""


def write_problems(work: Work) -> None:
    """work.problems from all findings that nobody has cleared; those of superseded submissions are left out. What
    keeps the most plants out of the books comes first. What is said alike of many is put into words once, in the language that
    is spoken."""
    run = work.store.connection.execute
    run(f"CREATE OR REPLACE TEMP TABLE open_findings AS {_FINDINGS}")
    run("CREATE OR REPLACE TEMP TABLE held AS SELECT instance_id, max(abs(plants)) AS plants FROM work.held_back GROUP BY ALL")
    said = "SELECT DISTINCT rule, field, value, detail, coalesce(form_id, '') AS of_form FROM open_findings"
    alike = [(Finding("", *found), form_id) for *found, form_id in work.rows(said)]
    lists: dict[str, NearMiss] = {}
    for name in {f.detail for f, _ in alike if f.rule == "not_in_list"}:
        known = work.rows(
            "SELECT code, texts::JSON ->> 'label' FROM work.list_rows WHERE list_name = ? AND is_listed ORDER BY code", [name]
        )
        means = {code: label or "" for code, label in known if code}
        lists[name] = NearMiss(means, means)
    if any(f.rule == "bad_code" for f, _ in alike):
        lists["groups"] = NearMiss(shown(code) for (code,) in work.rows("SELECT group_code FROM work.openings"))
    forms = work.context.workspace.forms
    names = {form_id: labels(forms, form_id) for form_id in {form_id for _, form_id in alike}}
    kinds = dict.fromkeys(("rule", "field", "value", "detail", "of_form", "shown", "message", "advice"), "VARCHAR")
    rows = [
        (
            *(f.rule, f.field, f.value, f.detail, form_id, unpacked(f.value)),
            *(sentence(what_is_allowed(forms.get(form_id), lists, f), names[form_id]), tr(Rule[f.rule].advice)),
        )
        for f, form_id in alike
    ]
    waits = work.rows("SELECT DISTINCT received_on FROM open_findings WHERE starts_with(rule, 'waits')")
    came = [(day, tr("It came on {day}.", day=day)) for (day,) in waits]
    work.lay_aside("came", {"received_on": "DATE", "came": "VARCHAR"}, came)
    work.lay_aside("words", kinds, rows)
    work.put_query(
        "problems",
        "SELECT instance_id, nullif(form_id, '') AS form_id, group_code, severity, rule, nullif(field, '') AS field,"
        " nullif(shown, '') AS value, CASE WHEN starts_with(rule, 'waits') THEN concat_ws(' ', message, came)"
        " ELSE message END AS message, advice"
        " FROM (SELECT *, coalesce(form_id, '') AS of_form FROM open_findings)"
        " JOIN words USING (rule, field, value, detail, of_form) LEFT JOIN held USING (instance_id)"
        " LEFT JOIN came USING (received_on)"
        " ORDER BY is_note, coalesce(held.plants, 0) DESC, instance_id, rule, field, value, detail",
    )


ORDERS = {
    "submissions": "instance_id",
    "movements": "group_code, on_date, instance_id, kind, cause",
    "standing": "group_code",
    "counts": "group_code, on_date, instance_ids",
    "lots": "group_code, attempt, team_code",
    "due": "days_over DESC, group_code, task, order_ref",
}
"""How the tables that are made in parts are put in order where they are written; the others stand in theirs."""


def publish_answers(store: Store, forms: dict[str, Form]) -> None:
    """Of each form what its accepted submissions say, every question that is kept, as the view answers_FORM."""
    for name in answer_tables(store):
        store.connection.execute(f'DROP VIEW main."{name}"')
    there = store.value(
        "SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'work' AND table_name IN ('current', 'states')"
        " AND database_name = current_database()"
    )
    if there < 2:
        return
    for form_id, form in forms.items():
        listed = ", ".join(f'a."{q.name}"' for q in form.kept)
        store.connection.execute(
            f'CREATE VIEW main."answers_{form_id}" AS SELECT c.instance_id, s.state, {listed} FROM answers."{form_id}" a'
            " JOIN work.current c USING (reading_id) JOIN work.states s USING (instance_id) WHERE s.state = 'accepted'"
        )


def answer_tables(store: Store) -> dict[str, tuple[str, ...]]:
    """The views answers_FORM that there are, with their columns."""
    return dict(
        store.rows(
            "SELECT table_name, list(column_name ORDER BY ordinal_position) FROM information_schema.columns"
            " WHERE table_schema = 'main' AND table_catalog = current_database() AND starts_with(table_name, 'answers_')"
            " GROUP BY ALL ORDER BY ALL"
        )
    )


def notes_since(store: Store, forms: dict[str, Form], first: dt.date, last: dt.date) -> list[tuple[Any, ...]]:
    """What people wrote in words in these days: (day, form_id, group_code, staff_code, text), the latest first."""
    queries = []
    for form_id, form in forms.items():
        for q in form.kept:
            if q.name == "note":
                group = "group_code" if form.has_group else "NULL"
                queries.append(
                    f'SELECT visit_date, \'{form_id}\', {group}, staff_code, "{q.name}" FROM main."answers_{form_id}"'
                    f' WHERE "{q.name}" IS NOT NULL AND visit_date BETWEEN $1 AND $2'
                )
    return store.rows(" UNION ALL ".join(queries) + " ORDER BY 1 DESC, 2, 3, 4, 5", [first, last]) if queries else []


def names_of(store: Store, name: str) -> dict[str, str]:
    """What the codes of a list are called."""
    return {c: label or c for c, label in store.rows(f'SELECT code, label FROM work."list_{name}"')}


def known_code(option: str, code: str, names: Mapping[str, str], list_name: str) -> None:
    """Raises Refused where a list does not have the code."""
    if not code or code in names:
        return
    said = tr("{option} {code} is not in {file}", option=option, code=code[:60], file=f"lists/{list_name}.csv")
    if near := NearMiss(names, names).of(code):
        raise Refused(with_near_miss(said, near))
    raise Refused(with_near_miss(said, tr("it has {codes}.", codes=listed(sorted(names), 8) or tr("no row that can be used"))))


def unknown_group(store: Store, given: str) -> Refused:
    """What is said of a text like a code that is of no group here, with what may have been meant."""
    groups = [
        shown(code)
        for (code,) in store.rows("SELECT DISTINCT group_code FROM work.current UNION SELECT code FROM kept.codes")
        if code and is_group_code(code)
    ]
    code = plain(given)
    if code and is_group_code(code):
        said = tr("No group is {group}: nothing about it has come in, and no such code was issued here", group=shown(code))
    elif code:
        said = tr("{group} is no code of a group: a digit is wrong, or two are swapped", group=shown(code))
    else:
        said = tr("{given} is no code of a group, which has eight digits, and no submission", given=given)
    near = NearMiss(groups).of(shown(code) if code else given)
    return Refused(with_near_miss(said, near) + ("" if near else "."))


def publish_view(store: Store, name: str) -> None:
    """A table of the contract as a view under its own name."""
    listed = ", ".join(f'"{c}"' for c in TABLES[name][1])
    shown = SHOWN_AS.get(name, name)
    store.connection.execute(f'CREATE OR REPLACE VIEW main."{name}" AS SELECT {listed} FROM work."{shown}"')


def in_order(name: str) -> str:
    """A query of a table of the contract, its rows in their order."""
    order = ORDERS.get(name, "instance_id" if name.startswith("answers_") else "")
    return f'SELECT * FROM main."{name}"' + (f" ORDER BY {order}" if order else "")


def _without_formulas(store: Store, query: str) -> str:
    """The query for a CSV: a text that a spreadsheet would run has an apostrophe before it."""
    texts = [column for column, kind, *_ in store.rows(f"DESCRIBE {query}") if kind == "VARCHAR"]
    guarded = ", ".join(f"""regexp_replace("{column}", '^({RUN})', '''\\1') AS "{column}\"""" for column in texts)
    return f"SELECT * REPLACE ({guarded}) FROM ({query})" if guarded else query


def copy_out(store: Store, query: str, path: Path, options: str) -> None:
    """The rows of a query as a file. Raises Refused where it cannot be written."""
    quoted = str(path).replace("'", "''")
    try:
        store.connection.execute(f"COPY ({query}) TO '{quoted}' ({options})")
    except duckdb.IOException as wrong:
        why = str(wrong).splitlines()[0]
        said = marked("The tables could not be written, and are as they were; make room and do it again. ({why})")
        raise Refused(tr(said, why=why)) from None


def write_csv(store: Store, query: str, path: Path) -> None:
    """The rows of a query as CSV, with nothing that a spreadsheet would run. Raises Refused."""
    copy_out(store, _without_formulas(store, query), path, "HEADER, DELIMITER ','")


def export_tables(store: Store, files: Batch, folder: Path) -> None:
    """Each table as CSV and as Parquet, to stand in `folder`; those of forms that are no more go. The Parquet file is exact.
    Raises Refused where they cannot be written."""
    names = (*TABLES, *answer_tables(store))
    for old in folder.glob("answers_*"):
        if old.stem not in names and old.suffix in (".csv", ".parquet"):
            files.drop(old)
    for name in names:
        write_csv(store, in_order(name), files.place(folder / f"{name}.csv"))
        copy_out(store, in_order(name), files.place(folder / f"{name}.parquet"), "FORMAT parquet")
