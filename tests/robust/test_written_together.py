"""`forms` is one step and `report` is one step: refused or stopped anywhere, all files are the old ones or all the new."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from formpack.catalog import load_forms
from pipeline import outputs
from pipeline.store import Store
from tests.cli.test_cli import formpack
from tests.conftest import new_workspace
from tests.formpack.test_opening import own_form


def there(folder: Path) -> dict[str, bytes]:
    files = (p for name in ("phone", "paper", "reports") for p in (folder / name).rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}


def versions(folder: Path) -> dict[str, str]:
    with Store.open(folder / "store.duckdb") as store:
        return dict(store.rows("SELECT form_id, max(version) FROM kept.form_versions WHERE is_published GROUP BY ALL"))


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A nursery with two forms, which are enough, that has phone/ and paper/."""
    folder = new_workspace(tmp_path_factory.mktemp("together") / "nursery").folder
    loss = load_forms()["loss"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("formpack.xform.has_java", lambda: False)
        patch.setattr("formpack.catalog._shipped_forms", lambda: {"loss": loss})
        own_form(folder, parameters="value=code label=label")
        formpack("import", cwd=folder)
        formpack("forms", cwd=folder)
        yield folder


@pytest.fixture
def nursery(prepared: Path, tmp_path: Path) -> Path:
    return shutil.copytree(prepared, tmp_path / "nursery")


def refuse(patch: pytest.MonkeyPatch, ending: str) -> None:
    plain = os.replace

    def replace(source: Any, target: Any) -> None:
        if str(target).endswith(ending) and "undone" not in Path(source).parts:
            raise PermissionError(13, "Permission denied", str(target))
        plain(source, target)

    patch.setattr("pipeline.outputs.os.replace", replace)


def test_forms_are_the_old_ones_or_the_new(nursery: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old, out = there(nursery), versions(nursery)
    assert {"phone/weeds.xml", "phone/weeds.xlsx", "phone/groups.csv", "paper/weeds.html"} <= set(old) and set(out) == {
        "loss",
        "weeds",
    }
    own_form(nursery, parameters="value=code label=label", choice_filter="active != 'no'")
    staff = nursery / "lists" / "staff.csv"
    staff.write_text(staff.read_text(encoding="utf-8").replace("Abel", "Abelard"), encoding="utf-8")
    places = (nursery / "lists" / "locations.csv").read_text(encoding="utf-8")
    (nursery / "lists" / "locations.csv").write_text("label,active\nHouse 1,\n", encoding="utf-8")
    assert "lists/locations.csv has no column code" in formpack("forms", cwd=nursery, code=2)
    assert there(nursery) == old
    (nursery / "lists" / "locations.csv").write_text(places, encoding="utf-8")
    with monkeypatch.context() as patch:
        refuse(patch, "weeds.xlsx")
        said = formpack("forms", cwd=nursery, code=2)
    assert "weeds.xlsx could not be replaced (Permission denied)" in said and said.count("\n") == 1
    assert there(nursery) == old and versions(nursery) == out
    with monkeypatch.context() as patch:
        patch.setattr("pipeline.outputs._carry_out", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt()))
        formpack("forms", cwd=nursery, code=2)
    assert there(nursery) == old  # it was decided, and the next command carries it out, whatever it is
    formpack("due", cwd=nursery)
    new = there(nursery)
    changed = {name for name in new if new[name] != old.get(name)}
    assert {"phone/weeds.xml", "phone/weeds.xlsx", "phone/staff.csv", "paper/weeds.xlsx"} <= changed
    formpack("forms", cwd=nursery)
    assert versions(nursery)["weeds"] == str(int(out["weeds"]) + 1)
    assert new["phone/weeds.xml"] == there(nursery)["phone/weeds.xml"]


def test_a_workbook_older_than_its_form_is_written_again(nursery: Path) -> None:
    book = nursery / "phone" / "weeds.xlsx"
    book.write_bytes(b"of a version before")
    os.utime(book, (1, 1))
    formpack("forms", cwd=nursery)
    assert book.read_bytes()[:2] == b"PK"


def test_reports_are_the_old_ones_or_the_new_and_what_is_gone_goes(nursery: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    formpack("report", cwd=nursery)
    old = there(nursery)
    assert {"reports/tables/answers_weeds.csv", "reports/tables/answers_weeds.parquet"} <= set(old)
    (nursery / "reports" / "tables" / "mine.csv").write_text("mine", encoding="utf-8")
    (nursery / "forms" / "weeds").rename(nursery / "weeds")
    with monkeypatch.context() as patch:
        patch.setattr("pipeline.report.page.page_html", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            formpack("report", cwd=nursery)
    with monkeypatch.context() as patch:
        patch.setattr(outputs.Batch, "place", lambda self, path: nursery / "store.duckdb" / path.name)
        assert "The tables could not be written, and are as they were" in formpack("report", cwd=nursery, code=2)
    with monkeypatch.context() as patch:
        refuse(patch, "nursery-report.xlsx")
        assert "Close it where it is open" in formpack("report", cwd=nursery, code=2)
    assert there(nursery) == old | {"reports/tables/mine.csv": b"mine"}
    formpack("report", cwd=nursery)
    formpack("forms", cwd=nursery)
    gone = {name for name in old if "weeds" in name}
    assert len(gone) == 6 and set(there(nursery)) == set(old) - gone | {"reports/tables/mine.csv"}
    before = versions(nursery)["weeds"]
    (nursery / "weeds").rename(nursery / "forms" / "weeds")
    formpack("forms", cwd=nursery)
    assert int(versions(nursery)["weeds"]) > int(before)  # phones may have the one of before
