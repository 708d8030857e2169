"""Form -> JSON Schema of one submission's answers (draft 2020-12), and its validator.

Types, limits, lists and unconditional requirements are said in standard keywords. What needs arithmetic or
looks at other answers stands under one keyword of ours, `rules`, as XLSForm expressions; other validators pass
over it, as the standard says they may.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from jsonschema.protocols import Validator
from jsonschema.validators import extend

from formpack import expression
from formpack.catalog import Form, Question, every
from formpack.expression import Node, conjuncts, limit

_LIMITS = {"<": "exclusiveMaximum", "<=": "maximum", ">": "exclusiveMinimum", ">=": "minimum"}


def split_constraint(question: Question) -> tuple[dict[str, float], Node | None]:
    """The plain limits of a constraint by their JSON Schema keyword, and the rest of it."""
    limits: dict[str, float] = {}
    rest: list[Node] = []
    for part in conjuncts(question.constraint) if question.constraint is not None else []:
        found = limit(part)
        if found and question.kind == "number" and _LIMITS[found[0]] not in limits:
            limits[_LIMITS[found[0]]] = int(found[1]) if found[1].is_integer() else found[1]
        else:
            rest.append(part)
    return limits, every(rest)


def _property(form: Form, question: Question) -> dict[str, Any]:
    said: dict[str, Any] = {"title": question.label()}
    if question.kind == "number":
        said["type"] = "integer" if question.value_type == "integer" else "number"
        said |= split_constraint(question)[0]
    else:
        said["type"] = "string"
        if question.kind == "date":
            said |= {"format": "date", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}
        elif question.value_type == "code":
            said["pattern"] = "^[0-9]{8}$"
        elif question.type == "select_one":
            said["enum"] = form.codes(question.list_name)
        elif question.type == "select_multiple":
            choices = "|".join(form.codes(question.list_name))
            said["pattern"] = f"^({choices})( ({choices}))*$"
    return said


def answer_schema(form: Form) -> dict[str, Any]:
    """The schema of an object whose members are the answered questions of the form by name."""
    rules = []
    for q in form.kept:
        rest = split_constraint(q)[1]
        if rest is not None or q.relevant is not None:
            constraint = q.cells.get("constraint", "") if rest is not None else ""
            rules.append({"question": q.name, "required": q.required, "relevant": q.asked_when, "constraint": constraint})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:formpack:{form.form_id}:{form.version}",
        "title": form.title,
        "type": "object",
        "properties": {q.name: _property(form, q) for q in form.kept},
        "required": [q.name for q in form.kept if q.required and q.relevant is None],
        "additionalProperties": False,
        "rules": rules,
    }


def answer_validator(form: Form, today: dt.date) -> Validator:
    """A validator of the form's schema that also judges `rules`; `today` is the day meant by today().

    Answers are JSON values by question name: whole numbers, numbers, texts, days as YYYY-MM-DD.
    """
    days = {q.name for q in form.kept if q.kind == "date"}
    watched = [(q, split_constraint(q)[1]) for q in form.kept]

    def judge(_: Any, __: Any, answers: Any, ___: Any) -> Iterator[ValidationError]:
        if not isinstance(answers, dict):
            return
        known: dict[str | None, Any] = dict(form.calculations)
        known |= {q.name: None for q in form.kept}
        known |= {k: dt.date.fromisoformat(v) if k in days and isinstance(v, str) else v for k, v in answers.items()}
        for question, constraint in watched:
            yield from _verdicts(question, constraint, known, today)

    own: type[Validator] = extend(Draft202012Validator, {"rules": judge})  # type: ignore[no-untyped-call]
    return own(answer_schema(form))


def _verdicts(
    question: Question, constraint: Node | None, known: Mapping[str | None, Any], today: dt.date
) -> Iterator[ValidationError]:
    value = known[question.name]
    is_asked = question.relevant is None or expression.evaluate(question.relevant, known, today)
    if value is None:
        if is_asked and question.required and question.relevant is not None:
            yield ValidationError(f"{question.name} is missing", validator="required", path=[question.name])
    elif not is_asked:
        yield ValidationError(f"{question.name} is not asked here", validator="relevant", path=[question.name])
    elif constraint is not None and not expression.evaluate(constraint, {**known, None: value}, today):
        yield ValidationError(f"{question.name} breaks a rule", validator="constraint", path=[question.name])
