"""A form that a phone could not open is never written: the sheet tells, and the form engine opens each form once."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from formpack.catalog import LANGUAGES, FormError, load_forms
from formpack.xform import Published, opening_faults, to_xform
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.engine.phone import needs_java

LISTS = {"groups": "code,label,facts\n26001239,x,x\n", "staff": "code,label,active\nS01,Abel,yes\n"}
PLACES = "code,label,part_of,active\nH1,House,,\n"


def own_form(folder: Path, **cells: str) -> Path:
    form = folder / "forms" / "weeds"
    form.mkdir(parents=True, exist_ok=True)
    labels = {f"label::{language}": "Where" for language in LANGUAGES}
    rows = [{"type": "include", "name": "who"}, {"type": "include", "name": "sign"}]
    rows += [{"type": "select_one_from_file locations.csv", "name": "bench", "required": "yes", **labels, **cells}]
    with (form / "survey.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(dict.fromkeys(k for r in rows for k in r)))
        table.writeheader()
        table.writerows(rows)
    (form / "settings.csv").write_text("form_id,form_title,version\nweeds,Weeds,2026112601\n", encoding="utf-8")
    return folder / "forms"


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ({}, "survey, row 4: bench does not say which columns of locations.csv are its codes and labels"),
        ({"parameters": "value=name label=label"}, "write value=code label=label into the column parameters"),
        ({"parameters": "value=code"}, "write value=code label=label"),
        ({"type": "select_one_from_file locations.xml"}, "must name a list of the folder lists"),
    ],
)
def test_a_question_of_a_list_says_its_columns(cells: dict[str, str], says: str, tmp_path: Path) -> None:
    with pytest.raises(FormError) as refused:
        load_forms(own_form(tmp_path, **cells))
    assert any(says in fault and "weeds" in fault for fault in refused.value.faults), refused.value.faults


@pytest.mark.parametrize(
    "cells",
    [
        {"parameters": "value=code label=caption"},
        {"parameters": "value=code label=label", "choice_filter": "caption = 'H' and active != 'no'"},
    ],
)
def test_a_question_speaks_of_columns_that_its_list_has(cells: dict[str, str], workspace: Workspace) -> None:
    own_form(workspace.folder, **cells)
    said = formpack("forms", cwd=workspace.folder, code=2)
    assert "row 4: bench speaks of the column caption of locations.csv" in said and "add the column" in said
    assert not (workspace.phone / "weeds.xml").exists()


def test_the_engine_opens_every_form_that_is_written(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    needs_java()
    own_form(workspace.folder, parameters="value=code label=label", choice_filter="active != 'no'")
    formpack("forms", cwd=workspace.folder)
    assert (workspace.phone / "weeds.xml").exists()
    form = load_forms(workspace.folder / "forms")["weeds"]
    good = Published(form, "1", to_xform(form, "1"), b"", True)
    lists = LISTS | {"locations": PLACES}
    assert opening_faults([good], lists) == []
    rows = tuple({**row, "parameters": ""} if row.get("name") == "bench" else row for row in form.rows)
    unsaid = replace(form, rows=rows)
    (fault,) = opening_faults([Published(unsaid, "1", to_xform(unsaid, "1"), b"", True)], lists)
    assert "a phone cannot open it" in fault and "weeds" in fault
    assert opening_faults([], {}) == []
