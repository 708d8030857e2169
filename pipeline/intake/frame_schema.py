"""Form -> the pandera schema of a frame of its answers: one row a submission, one column a kept question."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import pandas as pd
import pandera.pandas as pa

from formpack import expression
from formpack.answer_schema import split_constraint
from formpack.catalog import Form, Question
from formpack.expression import Node

_DTYPES = {"integer": "Int64", "decimal": "Float64", "date": "datetime64[s]"}
DAY = "received_on"
"""The column with the day that today() means for the row."""


def answer_frame(form: Form, rows: Iterable[dict[str, Any]]) -> pd.DataFrame:
    """Typed answers as a frame with exactly the schema's columns; a blank answer is missing."""
    rows = list(rows)
    columns: dict[str, Any] = {}
    for q in form.kept:
        values = [row.get(q.name) for row in rows]
        columns[q.name] = pd.Series(values, dtype=_DTYPES.get(q.value_type, "string"))
    columns[DAY] = pd.Series([row[DAY] for row in rows], dtype="datetime64[s]")
    return pd.DataFrame(columns)


def _as_known(form: Form, record: Mapping[Any, Any]) -> dict[str | None, Any]:
    known: dict[str | None, Any] = dict(form.calculations)
    for q in form.kept:
        value = record[q.name]
        known[q.name] = None if pd.isna(value) else value.date() if q.kind == "date" else value
    return known


def _row_check(form: Form, verdict: Callable[[dict[str | None, Any], dt.date], bool], name: str) -> pa.Check:
    def holds(frame: pd.DataFrame) -> pd.Series:
        good = [verdict(_as_known(form, r), r[DAY].date()) for r in frame.to_dict("records")]
        return pd.Series(good, index=frame.index, dtype=bool)

    return pa.Check(holds, name=name)


def _question_checks(form: Form, q: Question) -> list[pa.Check]:
    _limits, rest = split_constraint(q)

    def is_asked(known: dict[str | None, Any], today: dt.date) -> bool:
        return q.relevant is None or bool(expression.evaluate(q.relevant, known, today))

    def answered(known: dict[str | None, Any], today: dt.date) -> bool:
        return known[q.name] is not None or not is_asked(known, today)

    def in_place(known: dict[str | None, Any], today: dt.date) -> bool:
        return known[q.name] is None or is_asked(known, today)

    def fitting(rule: Node) -> Callable[[dict[str | None, Any], dt.date], bool]:
        def verdict(known: dict[str | None, Any], today: dt.date) -> bool:
            value = known[q.name]
            return value is None or bool(expression.evaluate(rule, {**known, None: value}, today))

        return verdict

    checks = []
    if q.required and q.relevant is not None:
        checks.append(_row_check(form, answered, f"missing_answer:{q.name}"))
    if q.relevant is not None:
        checks.append(_row_check(form, in_place, f"not_asked:{q.name}"))
    if rest is not None:
        checks.append(_row_check(form, fitting(rest), f"impossible_value:{q.name}"))
    return checks


def frame_schema(form: Form) -> pa.DataFrameSchema:
    """The schema. It coerces nothing; validate with `lazy=True` to see every failure."""
    comparisons: dict[str, Callable[..., pa.Check]] = {
        "minimum": pa.Check.ge,
        "maximum": pa.Check.le,
        "exclusiveMinimum": pa.Check.gt,
        "exclusiveMaximum": pa.Check.lt,
    }
    columns = {}
    for q in form.kept:
        limits = split_constraint(q)[0]
        checks = [comparisons[key](value, name="impossible_value") for key, value in limits.items()]
        if q.value_type == "code":
            checks.append(pa.Check.str_matches("^[0-9]{8}$", name="bad_code"))
        if q.type == "select_one":
            checks.append(pa.Check.isin(form.codes(q.list_name), name="not_in_list"))
        columns[q.name] = pa.Column(
            _DTYPES.get(q.value_type, "string"), checks, nullable=not (q.required and q.relevant is None)
        )
    columns[DAY] = pa.Column("datetime64[s]")
    rules = [check for q in form.kept for check in _question_checks(form, q)]
    return pa.DataFrameSchema(columns, checks=rules, strict=True, coerce=False, ordered=False)


def frame_failures(form: Form, frame: pd.DataFrame) -> set[tuple[int, str, str]]:
    """(row position, rule, question) of everything in the frame that the schema refuses."""
    if frame.empty:
        return set()
    try:
        frame_schema(form).validate(frame, lazy=True)
    except pa.errors.SchemaErrors as wrong:
        found: set[tuple[int, str, str]] = set()
        for case in wrong.failure_cases.to_dict("records"):
            rule, _, name = str(case["check"]).replace("not_nullable", "missing_answer").partition(":")
            if case["index"] is None or pd.isna(case["index"]):
                raise AssertionError(f"the frame of {form.form_id} is not as built: {case}") from None
            found.add((int(case["index"]), rule, name or str(case["column"])))
        return found
    return set()
