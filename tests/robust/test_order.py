"""No order of arrival, no splitting into batches, no repetition, with corrections in between, changes the books."""

from __future__ import annotations

import datetime as dt
import functools
import os
import random
import shutil
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from formpack.group_code import issue
from pipeline import run
from pipeline.office.desk import Decided, Desk, decide_list
from pipeline.office.problem_list import findings
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import SAMPLES, every_table, new_workspace

SCENARIOS = sorted(p.parent.name for p in SAMPLES.glob("*/expected.json"))
EXAMPLES = 3 if os.environ.get("CI") else 2
WHEN = dt.datetime(2026, 11, 2, 9, 0)
Decision = tuple[str, str, str, str, str]
"""(rule that is shown, submission, decision, question, new answer)."""


def decide(workspace: Workspace, wanted: list[Decision]) -> list[Decision]:
    """Take the decisions whose findings are there by now; gives back those that still wait for theirs."""
    left = []
    with Store.open(workspace.store_file) as store:
        rows = {(r[9], r[10]): r for r in findings(store)}
        lists = {name: {r["code"] for r in workspace.read_list(name)} for name in ("staff", "teams", "locations")}
        with store.transaction():
            desk = Desk(store, workspace.forms, lists, "S01", WHEN)
            chosen = []
            for number, (rule, instance, decision, field, new) in enumerate(wanted):
                row = rows.get((rule, instance))
                if row is None:
                    left.append(wanted[number])
                else:
                    chosen.append(Decided(number, decision, field or row[8] or "", new, "asked", rule, instance, row[-1]))
            verdicts = decide_list(desk, chosen, undo=False)
            assert [v for v in verdicts if v.what == "refused"] == []
        run.refresh(store, workspace)
    return left


DECISIONS: dict[str, list[Decision]] = {
    "a_wrong_digit_in_the_code": [
        ("bad_code", "uuid:00000000-0000-4000-8000-000000000002", "correct", "group_code", issue(2026, 701, 1)[0])
    ],
    "seedlings_that_do_not_add_up": [
        ("impossible_value", "uuid:00000000-0000-4000-8000-000000000001", "correct", "planted", "960")
    ],
    "the_same_count_entered_again_and_one_before_the_group_was_there": [
        ("before_opening", "uuid:00000000-0000-4000-8000-000000000004", "withdraw", "", ""),
        ("double_entry", "uuid:00000000-0000-4000-8000-000000000003", "accept as it is", "", ""),
    ],
    "a_table_typed_in_the_office_with_faults": [
        ("impossible_value", "k4", "correct", "counted", "957"),
        ("wrong_type", "k5", "withdraw", "", ""),
    ],
    "more_buds_read_than_set_and_too_early": [
        ("early_reading", "uuid:00000000-0000-4000-8000-000000000003", "accept as it is", "", "")
    ],
}


def _new(name: str, folder: Path) -> Workspace:
    forms = SAMPLES / name / "forms"
    return new_workspace(folder, forms if forms.exists() else None)


@functools.cache
def books_at_once(name: str) -> str:
    """The tables of a scenario taken in at once and then decided."""
    with tempfile.TemporaryDirectory() as folder:
        workspace = _new(name, Path(folder))
        run.import_files(workspace, [SAMPLES / name / "inbox"])
        assert decide(workspace, DECISIONS.get(name, [])) == []
        return repr(every_table(workspace))


@given(name=st.sampled_from(SCENARIOS), data=st.data())
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_scenarios_in_any_order(name: str, data: st.DataObject) -> None:
    files = sorted((SAMPLES / name / "inbox").iterdir())
    shuffled = data.draw(st.permutations(files))
    cut = data.draw(st.integers(0, len(files)))
    again = data.draw(st.lists(st.sampled_from(files), max_size=2))
    waiting = list(DECISIONS.get(name, []))
    with tempfile.TemporaryDirectory() as folder:
        workspace = _new(name, Path(folder))
        for batch in (shuffled[:cut], [*shuffled[cut:], *again]):
            run.import_files(workspace, batch)
            waiting = decide(workspace, waiting)
        assert waiting == []
        assert repr(every_table(workspace)) == books_at_once(name)


def test_the_demo_in_another_order_with_a_correction_in_between(tmp_path: Path) -> None:
    files = sorted((SAMPLES / "demo" / "inbox").rglob("*.xml"))
    spelt = next(p for p in files if b">8O4<" in p.read_bytes())
    if not os.environ.get("CI"):
        files = sorted({spelt, *files[::3]})  # a third of them every day, all in CI
    identity = spelt.read_text(encoding="utf-8").split("<instanceID>")[1].split("<")[0]
    decision: list[Decision] = [("wrong_type", identity, "correct", "green", "804")]
    books = []
    for number in range(2):
        folder = tmp_path / str(number)
        shutil.copytree(SAMPLES / "demo", folder, ignore=shutil.ignore_patterns("inbox"))
        (folder / "inbox").mkdir()
        (folder / "forms").mkdir()
        workspace = Workspace(folder)
        if number == 0:
            run.import_files(workspace, files)
            assert decide(workspace, decision) == []
        else:
            random.Random(3).shuffle(files)
            files.remove(spelt)
            run.import_files(workspace, [spelt, *files[: len(files) // 2]])
            assert decide(workspace, decision) == []
            run.import_files(workspace, files[len(files) // 2 - 20 :])
        books.append(every_table(workspace))
    assert books[0] == books[1]
