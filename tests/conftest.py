"""Shared by all tests: workspaces of the small scenario nursery, and the fixed day on which tests happen."""

from __future__ import annotations

import contextlib
import datetime as dt
import functools
import hashlib
import io
import os
import shutil
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from formpack import words, xform
from formpack.catalog import Form
from pipeline import run
from pipeline.store import Store
from pipeline.tables import in_order
from pipeline.workspace import Workspace, make_workspace

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_submissions"
DAY = dt.date(2026, 11, 2)


def new_workspace(folder: Path, forms: Path | None = None) -> Workspace:
    """A workspace with the scenario nursery's lists, and a fixed day."""
    make_workspace(folder, "Scenario nursery")
    for path in (SAMPLES / "lists").glob("*.csv"):
        shutil.copy(path, folder / "lists" / path.name)
    if forms is not None:
        shutil.copytree(forms, folder / "forms", dirs_exist_ok=True)
    (folder / "nursery.toml").write_text(f'name = "Scenario nursery"\ntoday = {DAY}\n', encoding="utf-8")
    return Workspace(folder)


@pytest.fixture(autouse=True)
def english() -> Iterator[None]:
    """What a test has spoken is forgotten after it."""
    yield
    words.use("")


def _of_all_processes(factory: pytest.TempPathFactory) -> Path:
    """The folder that the processes of one run share."""
    folder = factory.getbasetemp()
    return folder.parent if "PYTEST_XDIST_WORKER" in os.environ else folder


@pytest.fixture(scope="session", autouse=True)
def once_a_form(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The forms are published by many tests: one that was converted, found valid or opened is not put to converter, validator
    or engine again in this run, where it is the same to the letter, and so are the lists that it is opened with. Faults are
    found each time, and so is what a test asks of these three itself."""
    told = _of_all_processes(tmp_path_factory) / "told-of-forms"
    told.mkdir(exist_ok=True)
    convert, validate, open_forms = xform._converted, xform.validator_verdicts, xform.opening_faults

    def place(*said: object) -> Path:
        return told / hashlib.sha256(repr(said).encode()).hexdigest()

    def keep(file: Path, text: str) -> str:
        new = file.with_name(f"{file.name}-{os.getpid()}")
        new.write_bytes(text.encode())
        new.replace(file)
        return text

    def converted(form: Form, workbook: bytes) -> str:
        with zipfile.ZipFile(io.BytesIO(workbook)) as book:
            file = place([(name, book.read(name)) for name in book.namelist() if name != "docProps/core.xml"])  # has the hour
        return file.read_bytes().decode() if file.exists() else keep(file, convert(form, workbook))

    def verdicts(forms: Sequence[str]) -> list[str]:
        files = {place("valid", form): form for form in forms}
        new = {file: form for file, form in files.items() if not file.exists()}
        found = dict(zip(new.values(), validate([*new.values()]), strict=True))
        for file in (file for file, form in new.items() if not found[form]):
            keep(file, "")
        return [found.get(form, "") for form in forms]

    def faults(made: Sequence[xform.Published], lists: Mapping[str, str]) -> list[str]:
        file = place("opened", [(one.form.form_id, one.xform) for one in made], sorted(lists.items()))
        found = [] if file.exists() else open_forms(made, lists)
        if not found:
            keep(file, "")
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(xform, "_converted", converted)
        patch.setattr(xform, "validator_verdicts", verdicts)
        patch.setattr(xform, "opening_faults", faults)
        yield


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return new_workspace(tmp_path / "nursery")


def copied(prepared: Workspace, to: Workspace) -> Workspace:
    """What a module has prepared once, in the workspace of a test."""
    return Workspace(shutil.copytree(prepared.folder, to.folder, dirs_exist_ok=True))


@pytest.fixture(scope="session")
def demo_taken_in(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The demo nursery with everything brought up, made once for all processes."""
    folder = _of_all_processes(tmp_path_factory) / "demo-taken-in"
    if not folder.exists():
        own = Workspace(tmp_path_factory.mktemp("demo") / "nursery")
        shutil.copytree(SAMPLES / "demo", own.folder)
        run.import_files(own, [own.inbox], show=run.EVERYTHING)
        with contextlib.suppress(OSError):  # another process was quicker
            own.folder.rename(folder)
    return Workspace(folder)


@pytest.fixture(scope="module")
def demo(demo_taken_in: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The demo nursery, of one's own."""
    return Workspace(shutil.copytree(demo_taken_in.folder, tmp_path_factory.mktemp("demo") / "nursery"))


@pytest.fixture
def take_in(workspace: Workspace) -> Callable[..., run.Imported]:
    """Import files given as name=content into the scenario nursery."""

    def take(files: dict[str, bytes | str]) -> run.Imported:
        for name, content in files.items():
            path = workspace.inbox / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return run.import_files(workspace, [workspace.inbox])

    return take


@contextlib.contextmanager
def looked_at(workspace: Workspace, names: Iterable[str] = run.EVERYTHING) -> Iterator[Store]:
    """The store with these tables as of the day of the last command."""
    with run.opened(workspace, names, _day_of(workspace.store_file, workspace.store_file.stat().st_mtime_ns)) as (store, _):
        yield store


@functools.cache
def _day_of(file: Path, _: int) -> dt.date:
    """The day of the last command, which a store that was written at another time is asked for anew."""
    with Store.open(file, is_read_only=True) as store:
        day: dt.date = store.value("SELECT as_of FROM work.day")
        return day


def table(workspace: Workspace, name: str, columns: str = "*", where: str = "true") -> list[tuple[Any, ...]]:
    with looked_at(workspace, (name,)) as store:
        return store.rows(f"SELECT {columns} FROM ({in_order(name)}) WHERE {where}")


def every_table(
    workspace: Workspace, leave_out: tuple[str, ...] = ("received_at", "source")
) -> dict[str, list[tuple[Any, ...]]]:
    """All tables of the contract, rows sorted; what depends on when and from which file it came is left out."""
    from pipeline.tables import TABLES

    found = {}
    with looked_at(workspace) as store:
        for name, (_, columns) in TABLES.items():
            listed = ", ".join(f'"{c}"' for c in columns if c not in leave_out)
            found[name] = store.rows(f'SELECT {listed} FROM main."{name}" ORDER BY ALL')
    return found


IN_CI_ONLY = (
    "tests/robust/test_stop.py",
    "tests/robust/test_former_store.py",
    "tests/robust/test_odd_nurseries.py",
    "tests/robust/test_crash.py",
    "tests/robust/test_soak.py",
    "tests/robust/test_faults.py",
    "tests/robust/test_order.py::test_the_demo",
    "tests/robust/test_readers.py::test_a_reader_never_sees_half",
    "tests/robust/test_stages.py::test_a_read_that_is_not_declared",
    "tests/intake/test_versions.py::test_versions_survive",
    "tests/intake/test_versions.py::test_a_question_that_came_later",
    "tests/intake/test_import.py::test_the_demo_comes_out_alike_from_every_container",
    "tests/intake/test_import.py::test_two_contents_under_one_identity",
    "tests/intake/test_lists.py::test_what_is_known_survives",
    "tests/report/test_page.py::test_the_page_of_the_demo",
    "tests/report/test_round.py::test_half_the_hours",
    "tests/book/test_totals.py::test_sums_hold_where_the_truth_is_known[True]",
    "tests/book/test_people.py::test_the_demo_names_nobody",
    "tests/book/test_reconcile.py::test_the_demo_s_hidden_moves",
    "tests/formpack/test_opening.py::test_the_engine_opens_every_form",
    "tests/formpack/test_on_the_phone.py::test_what_cannot_have_happened_yet",
    "tests/office/test_records.py::test_an_accepted_wrong_answer",
    "tests/office/test_correct.py::test_decisions_survive_rebuild",
    "tests/rates/test_lives.py::test_a_nursery_whose_truth",
    "tests/test_own_form.py::test_the_page_is_done",
    "tests/field/test_signs.py::test_no_code_stands_on_two_signs_whatever_fails[refused]",
    "tests/field/test_signs.py::test_no_code_stands_on_two_signs_whatever_fails[stopped]",
)
"""What takes long and has a smaller sibling in the everyday run."""


LONG_FIRST = (
    "tests/robust/test_faults.py",
    "tests/robust/test_stages.py",
    "tests/robust/test_order.py",
    "tests/robust/test_soak.py",
    "tests/robust/",
    "tests/report/test_page.py",
    "tests/engine/",
    "tests/receiver/",
    "tests/formpack/",
    "tests/formulas/",
    "tests/intake/",
)
"""Files that take long begin first, so that no process is left alone with one at the end."""


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """An everyday run of all tests leaves out the long ones; CI and a run of one file have them."""
    order = {start: at for at, start in enumerate(LONG_FIRST)}
    items.sort(key=lambda item: next((order[start] for start in LONG_FIRST if item.nodeid.startswith(start)), len(order)))
    if os.environ.get("CI") or config.args != config.getini("testpaths"):
        return
    left_out = [item for item in items if item.nodeid.startswith(IN_CI_ONLY)]
    config.hook.pytest_deselected(items=left_out)
    items[:] = [item for item in items if not item.nodeid.startswith(IN_CI_ONLY)]
