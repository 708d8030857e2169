"""The tables of the contract: their columns in order, as views of the store, and as CSV and Parquet files."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from formpack.catalog import Form
from pipeline.findings import Finding, Rule, sentence
from pipeline.store import Store

TABLES: dict[str, tuple[str, tuple[str, ...]]] = {
    "submissions": ("every submission that came in, and its state", (
        "instance_id", "form_id", "form_version", "group_code", "visit_date", "staff_code", "state", "received_at",
        "superseded_by", "source")),
    "problems": ("everything that a person should look at", (
        "instance_id", "form_id", "group_code", "severity", "rule", "field", "value", "message", "advice")),
    "movements": ("every change of a group, in whole plants", (
        "group_code", "on_date", "form_id", "kind", "cause", "quantity", "other_group", "instance_id")),
    "standing": ("what stands in each group", (
        "group_code", "rootstock", "scion", "stage", "location", "opened_on", "opened_with", "book_count",
        "last_count", "last_count_on", "estimate", "low", "high", "unrecorded_loss", "state")),
    "counts": ("every completed count beside what was expected", (
        "group_code", "on_date", "form_id", "instance_ids", "counted", "expected", "expected_low", "expected_high",
        "p_wrong", "flagged")),
    "discrepancies": ("counts and changes that do not fit", (
        "group_code", "on_date", "instance_ids", "counted", "expected", "difference", "likely_cause", "confidence",
        "advice", "other_group")),
    "lots": ("what one team budded in one group at one attempt", (
        "group_code", "team_code", "attempt", "rootstock", "scion", "budwood_batch", "budded_on", "read_on", "days",
        "buds_set", "green", "brown", "unsure", "missing", "take_rate")),
    "take_rates": ("how buds take, by level", (
        "by", "level", "lots", "buds_set", "read", "taken", "take_rate", "low", "high", "deff", "adjusted",
        "adjusted_low", "adjusted_high", "q_value", "flag")),
    "survival": ("how many plants come through each step", (
        "by", "level", "clock", "step", "at_risk", "lost", "left", "survival", "se", "low", "high")),
    "loss_causes": ("what plants are lost to", (
        "by", "level", "cause", "stage", "lost", "share", "cumulative", "low", "high")),
    "survival_tests": ("whether rootstocks and scions lose plants alike, groups counting as one each", (
        "by", "clock", "levels", "groups", "chi2", "freedom", "p_value")),
    "teams": ("each team: take plainly, fairly, by odds, and its pace", (
        "team_code", "lots", "buds_set", "read", "taken", "take_rate", "low", "high", "deff", "adjusted", "adjusted_low",
        "adjusted_high", "q_value", "flag", "odds_ratio", "odds_low", "odds_high", "days", "buds_a_day")),
    "timeliness": ("what came through where buds were read early or late, or cut back late", (
        "work", "kind", "units", "plants", "through", "difference", "low", "high")),
    "off_type": ("off-type culls by rootstock, beside what is published", (
        "rootstock", "groups", "lifted", "off_type", "share", "low", "high", "published_low", "published_high", "source",
        "verdict")),
    "ladder": ("every plant opened: lost, despatched or in the books, by stage", (
        "stage", "lost", "despatched", "in_the_books", "lost_share")),
    "projection": ("trees ready by pair and month, against open orders", (
        "rootstock", "scion", "month", "ready", "low", "high", "ordered", "overdue", "ready_until", "low_until", "high_until",
        "ordered_until", "shortfall", "chance_enough")),
    "due": ("what is to be done by when", (
        "group_code", "task", "due_on", "days_over", "location", "estimate")),
    "staff_counting": ("how each person counts", (
        "staff_code", "counts", "exact_share", "typical_error", "flagged")),
}  # fmt: skip
"""Name -> (what it holds, its columns)."""


_ILLEGAL = dict.fromkeys([*range(9), 11, 12, *range(14, 32)], "\ufffd")


def plain_cell(value: Any) -> Any:
    """The value as a cell may hold it: whole texts of bytes that a workbook cannot carry are marked."""
    return value.translate(_ILLEGAL)[:32000] if isinstance(value, str) else value


TASKS = ("bud_take", "cut_back", "stake", "top", "despatch", "stock_count", "recount")
"""The tasks of the table `due`."""


def labels(forms: dict[str, Form]) -> dict[str, str]:
    """What the forms call their questions, in English, by name."""
    return {q.name: q.label() for form in forms.values() for q in form.questions if q.cells.get("label::English (en)")} | {
        "group_code": "Group code", "to_group": "Receiving group", "set_aside_to": "Group for the failed buds",
    }  # fmt: skip


def write_problems(store: Store, findings: list[Finding], forms: dict[str, Form]) -> None:
    """work.problems from the findings of a run, worst first; findings of superseded submissions are left out."""
    heads = {i: rest for i, *rest in store.rows("SELECT instance_id, form_id, group_code, received_on FROM work.current")}
    hidden = {i for (i,) in store.rows("SELECT instance_id FROM work.states WHERE state IN ('superseded', 'withdrawn')")}
    names = labels(forms)
    rows = []
    for f in sorted(set(findings), key=lambda f: (Rule[f.rule].severity != "stop", f)):
        if f.instance_id in hidden:
            continue
        form_id, code, came = heads.get(f.instance_id, (None, None, None))
        since = f" It came on {came}." if f.rule.startswith("waits") else ""
        rule = Rule[f.rule]
        rows.append((f.instance_id, form_id or None, code, rule.severity, f.rule, f.field or None, f.value or None,
                     sentence(f, names) + since, rule.advice))  # fmt: skip
    store.make("problems", dict.fromkeys(TABLES["problems"][1], "VARCHAR"), rows)


def publish_views(store: Store) -> None:
    """Views of the contract's tables under their own names."""
    for name, (_, columns) in TABLES.items():
        listed = ", ".join(f'"{c}"' for c in columns)
        store.connection.execute(f'CREATE OR REPLACE VIEW main."{name}" AS SELECT {listed} FROM work."{name}"')


def export_tables(store: Store, folder: Path) -> None:
    """Each table as CSV and Parquet in `folder`, written beside and moved in place."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in TABLES:
        for ending, options in (("csv", "HEADER, DELIMITER ','"), ("parquet", "FORMAT parquet")):
            target, beside = folder / f"{name}.{ending}", folder / f".{name}.{ending}.new"
            quoted = str(beside).replace("'", "''")
            store.connection.execute(f"COPY (SELECT * FROM main.\"{name}\") TO '{quoted}' ({options})")
            shutil.move(beside, target)
