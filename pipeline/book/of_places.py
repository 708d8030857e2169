"""What forms about places say of scouting and of treatments, as tables. A nursery's own form of the same name may leave a
question out: what is not asked is empty."""

from __future__ import annotations

from collections.abc import Mapping

from formpack.catalog import Form, text_in
from formpack.words import as_typed, tr
from pipeline.stages import Work

_SCOUTED = {
    **dict.fromkeys(("location", "found_what"), "VARCHAR"),
    **dict.fromkeys(("examined", "affected", "traps", "trap_count", "shown_plants"), "BIGINT"),
}
_TREATED = {
    **dict.fromkeys(("location", "product", "product_name", "active_ingredient", "dose_unit", "target"), "VARCHAR"),
    **dict.fromkeys(("dose", "area_m2", "volume_l"), "DOUBLE"),
    **dict.fromkeys(("applicator", "started_at", "over_midnight", "ended_at", "reentry_at", "weather"), "VARCHAR"),
    "reentry_on": "DATE",
}


def units(forms: Mapping[str, Form]) -> dict[str, str]:
    """What the form calls its units of dose."""
    form = forms.get("treatment")
    return {row["name"]: text_in(row, "label") for row in form.choices.get("dose_units", ())} if form else {}


def amount(dose: float | None, unit: str | None, units: Mapping[str, str]) -> str | None:
    """A dose with its unit, in words."""
    return None if dose is None else tr("{dose} {unit}", dose=as_typed(dose), unit=units.get(unit or "", unit or ""))


def _said(work: Work, form_id: str, asked: Mapping[str, str]) -> str:
    """A query of what the submissions of a form say, whatever their state, each question as its kind."""
    form = work.context.workspace.forms.get(form_id)
    names = {q.name for q in form.kept} if form else set()
    columns = [f"TRY_CAST({f'a.{name}' if name in names else 'NULL'} AS {kind}) AS {name}" for name, kind in asked.items()]
    return f"SELECT c.instance_id, c.visit_date AS on_date, c.staff_code, {', '.join(columns)}" + (
        f' FROM answers."{form_id}" a JOIN work.current c USING (reading_id)' if form else " FROM work.current c WHERE false"
    )


def load_said(work: Work) -> None:
    """work.scouted and work.treated: a row a submission."""
    work.put_query("scouted", _said(work, "scouting", _SCOUTED))
    work.put_query("treated", _said(work, "treatment", _TREATED))
