"""What the forms of the nursery's log say, as tables. A nursery's own form of the same name may leave a question out: what is
not asked is empty."""

from __future__ import annotations

from collections.abc import Mapping

from formpack.catalog import Form, text_in
from formpack.words import as_typed, tr
from pipeline.stages import Work

_CUT = dict.fromkeys(("budwood_batch", "scion", "source_block", "source_tree", "authorisation", "stored"), "VARCHAR") | {
    "buds": "BIGINT",
    "stored_c": "DOUBLE",
}
_STERILISED = {
    **dict.fromkeys(("item", "method", "team_code", "done_at", "between_cultivars", "started_at", "ended_at"), "VARCHAR"),
    **dict.fromkeys(("over_midnight", "product", "location"), "VARCHAR"),
    "temperature_c": "DOUBLE",
    "pieces": "BIGINT",
}
_SOWN = {
    **dict.fromkeys(("sowing_code", "seed_lot", "rootstock", "medium", "location"), "VARCHAR"),
    **dict.fromkeys(("trays", "seeds", "soak_min"), "BIGINT"),
    "litres": "DOUBLE",
}
_EMERGED = {"sowing_code": "VARCHAR", **dict.fromkeys(("trays_read", "emerged", "multiple"), "BIGINT")}
_SCOUTED = {
    **dict.fromkeys(("location", "found_what"), "VARCHAR"),
    **dict.fromkeys(("examined", "affected", "traps", "trap_count", "shown_plants"), "BIGINT"),
}
_TREATED = {
    **dict.fromkeys(("location", "product", "product_name", "active_ingredient", "ingredient_name"), "VARCHAR"),
    **dict.fromkeys(("dose_unit", "target", "target_other"), "VARCHAR"),
    **dict.fromkeys(("dose", "area_m2", "volume_l"), "DOUBLE"),
    **dict.fromkeys(("applicator", "started_at", "over_midnight", "ended_at", "reentry_at", "weather"), "VARCHAR"),
    "reentry_on": "DATE",
}


def _said(work: Work, form_id: str, asked: Mapping[str, str]) -> str:
    """A query of reading_id and what the readings of a form say, each question as its kind."""
    form = work.context.workspace.forms.get(form_id)
    names = {q.name for q in form.kept} if form else set()
    columns = [f"TRY_CAST({name if name in names else 'NULL'} AS {kind}) AS {name}" for name, kind in asked.items()]
    rows = f'answers."{form_id}"' if form else "(SELECT NULL::UUID AS reading_id) WHERE false"
    return f"SELECT reading_id, {', '.join(columns)} FROM {rows}"


def load_hygiene(work: Work) -> None:
    """work.cut_records and work.sterilised: budwood that was cut, what was sterilised or disinfected; a row a reading."""
    work.put_query("cut_records", _said(work, "budwood_cut", _CUT))
    work.put_query("sterilised", _said(work, "sterilise", _STERILISED))


def load_seed(work: Work) -> None:
    """work.sown and work.emergence_counts: what accepted submissions say of seed sown and what came up, codes in capitals."""
    for name, form_id, asked in (("sown", "sowing", _SOWN), ("emergence_counts", "emergence", _EMERGED)):
        work.put_query(
            name,
            "SELECT c.instance_id, c.visit_date, coalesce(c.ended, '') AS ended,"
            f" a.* EXCLUDE (reading_id) REPLACE (upper(a.sowing_code) AS sowing_code) FROM ({_said(work, form_id, asked)}) a"
            " JOIN work.current c USING (reading_id) JOIN work.states s USING (instance_id)"
            " WHERE s.state = 'accepted' AND c.visit_date <= (SELECT until_on FROM work.horizon)",
        )


def load_of_places(work: Work) -> None:
    """work.scouted and work.treated: a row a submission, whatever its state."""
    for name, form_id, asked in (("scouted", "scouting", _SCOUTED), ("treated", "treatment", _TREATED)):
        work.put_query(
            name,
            "SELECT c.instance_id, c.visit_date AS on_date, c.staff_code, a.* EXCLUDE (reading_id)"
            f" FROM ({_said(work, form_id, asked)}) a JOIN work.current c USING (reading_id)",
        )


def units(forms: Mapping[str, Form]) -> dict[str, str]:
    """What the form of treatments calls its units of dose."""
    form = forms.get("treatment")
    return {row["name"]: text_in(row, "label") for row in form.choices.get("dose_units", ())} if form else {}


def amount(dose: float | None, unit: str | None, units: Mapping[str, str]) -> str | None:
    """A dose with its unit, in words."""
    return None if dose is None else tr("{dose} {unit}", dose=as_typed(dose), unit=units.get(unit or "", unit or ""))
