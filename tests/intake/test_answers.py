"""Everything that was answered is seen, booked or not; and a form may be about a house, or the whole nursery."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from formpack.catalog import LANGUAGES, FormError, load_forms
from pipeline import run
from pipeline.report import write_report
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import DAY, SAMPLES, looked_at, new_workspace, table

OPENING = (SAMPLES / "the_same_count_is_sent_twice" / "inbox" / "opening.xml").read_text(encoding="utf-8")
NOTE = "Whitefly on the lower leaves of the second bench; the drip line leaks at the far end, and the net has a hole there."


def house_form(folder: Path, **more: Any) -> Path:
    """A check of the irrigation of a house: no group."""
    form = folder / "irrigation_check"
    form.mkdir(parents=True)
    words = {f"label::{language}": "Pressure, bar" for language in LANGUAGES}
    rows = [
        {"type": "include", "name": "who"},
        {"type": "include", "name": "location"},
        {
            "type": "decimal",
            "name": "pressure_bar",
            "required": "yes",
            **words,
            "constraint": ". >= 0 and . <= 10",
            **{f"constraint_message::{language}": "From 0 to 10" for language in LANGUAGES},
            **more,
        },
        {"type": "include", "name": "close"},
    ]
    with (form / "survey.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys(k for r in rows for k in r)))
        writer.writeheader()
        writer.writerows(rows)
    told = "form_id,form_title,version\nirrigation_check,Irrigation,2026112601\n"
    (form / "settings.csv").write_text(told, encoding="utf-8")
    return folder


def check(key: str, **more: str) -> str:
    said = {"visit_date": "2026-10-30", "staff_code": "S03", "location": "H1", "pressure_bar": "2.5"}
    return json.dumps({"form_id": "irrigation_check", "KEY": key, **said, **more})


@pytest.fixture
def nursery(tmp_path: Path) -> Workspace:
    workspace = new_workspace(tmp_path / "nursery")
    house_form(workspace.folder / "forms")
    (workspace.inbox / "opening.xml").write_text(OPENING, encoding="utf-8")
    lines = [check("a", note=NOTE), check("b", pressure_bar="11"), check("c", visit_date="2026-10-31"), check("d")]
    (workspace.inbox / "checks.ndjson").write_text("\n".join(lines) + "\n", encoding="utf-8")
    run.import_files(workspace, [workspace.inbox])
    return workspace


def test_a_form_without_a_group_is_accepted_and_checked(nursery: Workspace) -> None:
    assert table(nursery, "submissions", "instance_id, state, group_code", "form_id = 'irrigation_check'") == [
        ("a", "accepted", None),
        ("b", "quarantined", None),
        ("c", "accepted", None),
        ("d", "accepted", None),
    ]
    assert table(nursery, "problems", "instance_id, rule") == [("b", "impossible_value")]
    columns = "instance_id, state, location, pressure_bar, note"
    assert table(nursery, "answers_irrigation_check", columns) == [
        ("a", "accepted", "H1", 2.5, NOTE),
        ("c", "accepted", "H1", 2.5, None),
        ("d", "accepted", "H1", 2.5, None),
    ]
    with looked_at(nursery) as store:
        assert store.value("SELECT count(*) FROM standing") == 1
    with Store.open(nursery.store_file) as store:
        assert run.differs_when_rebuilt(store, nursery) == []


def test_the_same_check_entered_twice_is_seen(nursery: Workspace) -> None:
    (nursery.inbox / "more.ndjson").write_text(check("e") + "\n", encoding="utf-8")
    run.import_files(nursery, [nursery.inbox])
    assert ("e", "double_entry") in table(nursery, "problems", "instance_id, rule")


def test_a_form_without_a_group_books_no_plants(tmp_path: Path) -> None:
    with pytest.raises(FormError) as refused:
        load_forms(house_form(tmp_path, type="integer", ledger="leaves", cause="frost"))
    assert any("books plants, but the form names no group" in fault for fault in refused.value.faults)


def test_what_was_answered_is_in_the_report(nursery: Workspace) -> None:
    with looked_at(nursery) as store:
        page, _, files = write_report(store, nursery)
        assert {f"answers_{form_id}" for form_id in nursery.forms} <= {p.stem for p in files.glob("*.csv")}
    text = page.read_text(encoding="utf-8")
    assert "Notes of the week" in text and NOTE in text
    head, first, *_ = (files / "answers_irrigation_check.csv").read_text(encoding="utf-8").splitlines()
    assert head.startswith("instance_id,state,") and first.startswith("a,accepted,")
    assert NOTE in formpack("history", "a", cwd=nursery.folder)


def test_answers_of_a_form_that_is_gone_go_with_it(nursery: Workspace) -> None:
    for path in (nursery.folder / "forms" / "irrigation_check").iterdir():
        path.unlink()
    changed = Workspace(nursery.folder)
    run.import_files(changed, [], DAY)
    with looked_at(changed) as store:
        views = {v for (v,) in store.rows("SELECT view_name FROM duckdb_views() WHERE starts_with(view_name, 'answers_')")}
    assert views == {f"answers_{form_id}" for form_id in changed.forms}
