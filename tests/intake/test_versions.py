"""Versions of forms are remembered: what went to the phones is known, and an old version that fits is said once a phone."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import pytest

from formpack import shipped
from formpack.catalog import load_forms
from pipeline import run, seals
from pipeline.field import phone
from pipeline.office import backup
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import DAY, SAMPLES, looked_at, new_workspace, table

OPENING = (SAMPLES / "the_same_count_is_sent_twice" / "inbox" / "opening.xml").read_text(encoding="utf-8")
COUNT = (SAMPLES / "the_same_count_is_sent_twice" / "inbox" / "count.xml").read_text(encoding="utf-8")
OURS = load_forms()["stock_count"].version


def ask_more(workspace: Workspace, name: str = "puddles", required: str = "yes") -> Workspace:
    """The nursery adds a question to its own copy of the form and leaves the version as it is."""
    own = workspace.folder / "forms" / "stock_count"
    if not own.exists():
        shutil.copytree(shipped("forms") / "stock_count", own)
    with (own / "survey.csv").open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        head, rows = list(reader.fieldnames or ()), list(reader)
    words = {h: "Puddles" for h in head if h.startswith("label")}
    new = dict.fromkeys(head, "") | words | {"type": "integer", "name": name, "required": required}
    rows.insert(next(i for i, r in enumerate(rows) if (r["type"], r["name"]) == ("include", "close")), new)
    with (own / "survey.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, head)
        writer.writeheader()
        writer.writerows(rows)
    return Workspace(workspace.folder)


def publish(workspace: Workspace) -> str:
    with Store.open(workspace.store_file) as store:
        run.refresh(store, workspace, DAY, phone.TABLES)
        phone.write_forms(workspace, store)
    with looked_at(workspace, ("problems",)) as store:
        return str(store.value("SELECT max(version) FROM kept.form_versions WHERE is_published AND form_id = 'stock_count'"))


def count(number: int, version: str, device: str, puddles: str = "") -> str:
    at = f"00000000-0000-4000-8000-9{number:011}"
    body = re.sub(r' version="\d+"', f' version="{version}"', COUNT, count=1)
    start = body.index("<instanceID>")
    body = body[: start + 12] + f"uuid:{at}" + body[body.index("</instanceID>") :]
    body = body.replace("<counted>958", f"<counted>{900 + number}")
    if "<deviceid>" in body:
        first, rest = body.split("<deviceid>", 1)
        body = first + rest[rest.index("</deviceid>") + 11 :]
    more = f"<deviceid>{device}</deviceid>" + (f"<puddles>{puddles}</puddles>" if puddles else "")
    at_end = body.rindex("</")
    return body[:at_end] + more + body[at_end:]


def take(workspace: Workspace, *counts: str) -> run.Imported:
    folder = workspace.inbox
    of_form = load_forms()["open_group"].version
    opening = re.sub(r' version="\d+"', f' version="{of_form}"', OPENING, count=1)
    (folder / "opening.xml").write_text(opening, encoding="utf-8")
    for i, text in enumerate(counts):
        (folder / f"{i}.xml").write_text(text, encoding="utf-8")
    return run.import_files(workspace, [folder])


def of_versions(workspace: Workspace) -> list[tuple[str, str]]:
    return table(workspace, "problems", "rule, message", "rule IN ('old_version', 'unknown_version', 'missing_answer')")


@pytest.fixture(scope="module")
def edited_once(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = new_workspace(tmp_path_factory.mktemp("versions") / "nursery")
    take(workspace)
    assert publish(workspace) == OURS
    changed = ask_more(workspace)
    assert publish(changed) == str(int(OURS) + 1)
    return changed


@pytest.fixture
def edited(edited_once: Workspace, tmp_path: Path) -> Workspace:
    return Workspace(shutil.copytree(edited_once.folder, tmp_path / "nursery"))


def test_the_version_that_went_to_the_phones_is_the_right_one(edited: Workspace) -> None:
    later = str(int(OURS) + 1)
    take(edited, count(1, later, "A1", "3"), count(2, OURS, "B2"), count(3, OURS, "B2"), count(4, OURS, "C3"))
    assert table(edited, "submissions", "count(*)", "state = 'accepted'") == [(5,)]
    assert of_versions(edited) == [
        (
            "old_version",
            f"Version {OURS} of stock_count came from phone {phone_}. There is a later one; the answers fit all the same.",
        )
        for phone_ in ("B2 in 2 submissions", "C3 in 1 submission")
    ]


def test_a_question_that_came_later_is_missed_only_where_it_was_asked(edited: Workspace) -> None:
    take(edited, count(1, str(int(OURS) + 1), "A1"), count(2, OURS, "B2"))
    assert [r for r, _ in of_versions(edited)] == ["missing_answer", "old_version"]


def test_a_version_that_nobody_made_is_said_once(workspace: Workspace) -> None:
    done = take(workspace, *(count(n, "2020010101", "B2") for n in range(1, 31)))
    assert done.states["accepted"] == 31
    assert [r for r, _ in of_versions(workspace)] == ["unknown_version"]


def test_versions_survive_a_rebuild_and_a_backup(edited: Workspace, tmp_path: Path) -> None:
    take(edited, count(1, str(int(OURS) + 1), "A1", "3"), count(2, OURS, "B2"))
    before = of_versions(edited)
    with Store.open(edited.store_file) as store:
        run.bring_up(store, edited, DAY)
        assert run.differs_when_rebuilt(store, edited) == []
        run.rebuild(store, edited)
        backup.write_backup(store, edited, tmp_path / "backup")
    assert of_versions(edited) == before
    again = Workspace(tmp_path / "again")
    with backup.restored(tmp_path / "backup", again.folder):
        pass
    run.import_files(again, [], DAY)
    assert of_versions(again) == before
    with Store.open(again.store_file) as store:
        assert seals.faults(store.connection) == []
