"""The house rules that a machine can see: imports go down, SQL files are tables, names stay out of trouble."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from tests.conftest import ROOT

ROOMS = [
    {"formpack"},
    {"formulas"},
    {"store", "stages", "tables", "findings", "settings", "workspace", "lists", "harmless", "outputs", "seals"},
    {"intake"},
    {"book", "rates"},
    {"office", "field"},
    {"run"},
    {"report", "trial"},
    {"body"},
    {"demo", "taken_in"},
    {"cli"},
]
"""A room (or a module at the top of pipeline/) imports only from those named before it, and from itself."""


def _modules() -> dict[str, Path]:
    found = {}
    for package in ("formpack", "pipeline"):
        for path in (ROOT / package).rglob("*.py"):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


MODULES = _modules()


def _imports(path: Path) -> set[str]:
    named: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            named |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            named |= {f"{node.module}.{a.name}" if f"{node.module}.{a.name}" in MODULES else node.module for a in node.names}
    return {n for n in named if n.split(".")[0] in ("formpack", "pipeline")}


def _room(name: str) -> str:
    package, _, rest = name.partition(".")
    return rest.split(".")[0] if package == "pipeline" else package


def test_imports_go_down() -> None:
    rank = {room: number for number, rooms in enumerate(ROOMS) for room in rooms}
    looked_at = 0
    for name, path in MODULES.items():
        for other in _imports(path) - {"pipeline"}:
            looked_at += 1
            mine, theirs = _room(name), _room(other)
            same_step = rank[mine] == rank[theirs] == 2  # what all rooms stand on is one step
            assert mine == theirs or same_step or rank[theirs] < rank[mine], f"{name} imports {other}"
    assert looked_at > 80


def test_no_import_goes_round() -> None:
    above: dict[str, set[str]] = {name: _imports(path) & set(MODULES) - {name} for name, path in MODULES.items()}
    while free := {name for name, needs in above.items() if not needs & set(above)}:
        above = {name: needs for name, needs in above.items() if name not in free}
    assert not above


def test_formulas_are_pure() -> None:
    for path in (ROOT / "pipeline" / "formulas").glob("*.py"):
        heavy = re.findall(
            r"^\s*(?:import|from) (duckdb|pandas|pathlib|os|pipeline\.store)\b", path.read_text(encoding="utf-8"), re.M
        )
        assert not heavy, (path.name, heavy)


def test_each_sql_file_is_used_and_says_what_it_makes() -> None:
    code = "".join(p.read_text(encoding="utf-8") for p in MODULES.values())
    files = list((ROOT / "pipeline").glob("*/sql/*.sql"))
    assert len(files) > 15
    for path in files:
        assert f'"{path.stem}"' in code, f"{path.name} is not used"
        assert path.read_text(encoding="utf-8").startswith("-- "), f"{path.name} does not say what it holds"


def test_no_module_is_called_anything_and_nothing() -> None:
    vague = {"utils", "helpers", "common", "misc", "manager", "jsonschema", "statistics", "html"}
    assert not vague & {name.rsplit(".", 1)[-1] for name in MODULES}


def test_public_functions_say_what_they_do() -> None:
    silent = []
    for name, path in MODULES.items():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            public = isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
            if public and not ast.get_docstring(node) and len(node.body) > 1:  # type: ignore[arg-type]
                silent.append(f"{name}.{node.name}")  # type: ignore[attr-defined]
    assert silent == []


def _lines(paths: Iterable[Path]) -> Iterator[tuple[str, str]]:
    """(file and number, the line) of each line."""
    for path in paths:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            yield f"{path.relative_to(ROOT)}:{number}", line


def test_lines_of_sql_are_no_longer_than_those_of_python() -> None:
    lines = list(_lines((ROOT / "pipeline").glob("*/sql/*.sql")))
    assert len(lines) > 500
    assert [place for place, line in lines if len(line) > 128] == []


def test_the_formatter_is_hardly_ever_told_to_skip() -> None:
    mark = "# fmt" + ": skip"
    folders = ("formpack", "pipeline", "sample_submissions", "tests")
    lines = list(_lines(path for folder in folders for path in (ROOT / folder).rglob("*.py")))
    assert len(lines) > 10_000
    skipped = [place for place, line in lines if mark in line]
    assert len(skipped) <= 5, skipped


def test_every_connection_is_ones_own() -> None:
    """`duckdb.sql` and `duckdb.execute` share one connection over a whole process: what one test leaves unread ends another."""
    shared = re.compile(r"\bduckdb\.(sql|execute|query|from_\w+|read_\w+|table)\(")
    for folder in ("formpack", "pipeline", "sample_submissions", "tests"):
        for path in (ROOT / folder).rglob("*.py"):
            assert not shared.search(path.read_text(encoding="utf-8")), path
