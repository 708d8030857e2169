"""The house rules that a machine can see: imports go down, SQL files are tables, names stay out of trouble."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from tests.conftest import ROOT

RANKS = [
    {"formpack", "formpack.group_code", "formpack.expression", "formpack.submission"},
    {"formpack.catalog", "formpack.readers"},
    {"formpack.answer_schema", "formpack.workbook"},
    {"formpack.xform"},
    {
        "pipeline",
        "pipeline.formulas",
        "pipeline.formulas.proportions",
        "pipeline.formulas.take",
        "pipeline.formulas.miscounts",
        "pipeline.formulas.unrecorded_moves",
        "pipeline.formulas.survival",
        "pipeline.formulas.requirement",
        "pipeline.findings",
    },
    {"pipeline.formulas.count_chain", "pipeline.formulas.overdispersion", "pipeline.formulas.comparison"},
    {"pipeline.formulas.chain_rates"},
    {"pipeline.settings", "pipeline.store"},
    {"pipeline.chains", "pipeline.takes", "pipeline.losses"},
    {"pipeline.between_groups"},
    {"pipeline.workspace", "pipeline.frame_schema"},
    {
        "pipeline.ingest",
        "pipeline.states",
        "pipeline.corrections",
        "pipeline.estimate",
        "pipeline.reconcile",
        "pipeline.outlook",
        "pipeline.discrepancies",
        "pipeline.tables",
        "pipeline.audit",
        "pipeline.phone",
    },
    {"pipeline.validate", "pipeline.ledger", "pipeline.history", "pipeline.backup"},
    {"pipeline.problem_list"},
    {"pipeline.run"},
    {"pipeline.report.stock"},
    {"pipeline.report.figures"},
    {"pipeline.report.charts", "pipeline.report.workbook"},
    {"pipeline.report.page"},
    {"pipeline.report"},
    {"pipeline.demo", "pipeline.cli.frame"},
]
RANK = {name: rank for rank, names in enumerate(RANKS) for name in names}


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


def _rank(name: str) -> int:
    return 99 if name.startswith("pipeline.cli") and name != "pipeline.cli.frame" else RANK[name]


def test_imports_go_down() -> None:
    looked_at = 0
    for name, path in MODULES.items():
        for other in _imports(path):
            looked_at += 1
            if name.startswith("pipeline.cli") and other.startswith("pipeline.cli"):
                continue
            assert _rank(other) < _rank(name), f"{name} (rank {_rank(name)}) imports {other} (rank {_rank(other)})"
    assert looked_at > 80


def test_every_module_has_a_rank_and_formpack_knows_nothing_of_the_pipeline() -> None:
    assert set(RANK) <= set(MODULES)
    for name, path in MODULES.items():
        assert name in RANK or name.startswith("pipeline.cli"), f"{name} has no rank"
        if name.startswith("formpack"):
            assert not any(i.startswith("pipeline") for i in _imports(path)), name


def test_formulas_are_pure() -> None:
    for path in (ROOT / "pipeline" / "formulas").glob("*.py"):
        heavy = re.findall(
            r"^\s*(?:import|from) (duckdb|pandas|pathlib|os|pipeline\.store)\b", path.read_text(encoding="utf-8"), re.M
        )
        assert not heavy, (path.name, heavy)


def test_each_sql_file_is_used_and_says_what_it_makes() -> None:
    code = "".join(p.read_text(encoding="utf-8") for p in MODULES.values())
    files = list((ROOT / "pipeline" / "sql").glob("*.sql"))
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
