"""What the README and DEVELOPERS.md say is so."""

from __future__ import annotations

import csv
import importlib
import re
import shutil
from pathlib import Path

import pytest

from formpack import sheets
from formpack.catalog import LEDGER_WORDS, causes
from pipeline.cli import app
from pipeline.findings import Rule
from pipeline.intake import trials
from pipeline.tables import TABLES
from tests.cli.test_cli import formpack
from tests.conftest import ROOT, SAMPLES

README = (ROOT / "README.md").read_text(encoding="utf-8")
FORMS = (ROOT / "docs" / "FORMS.md").read_text(encoding="utf-8")
SECURITY = (ROOT / "SECURITY.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def rules_table() -> str:
    """The README's table of findings, from the catalogue."""
    rows = []
    for rule in Rule:
        said = re.sub(
            r"\{(\w+)\}", lambda m: {"label": "*question*", "value": "*answer*", "detail": "*…*"}[m[1]], rule.sentence
        )
        out = "yes" if rule.severity == "stop" else "waits" if rule.name.startswith("waits") else "no"
        rows.append(f"| `{rule.name}` | {out} | {said} {rule.advice} |")
    return "\n".join(rows)


def test_the_job_comes_first_and_two_commands_set_up() -> None:
    first = README.split("\n\n")[1]
    assert "citrus nursery" in first and "\n#" not in first
    assert len(re.findall(r"^python3 -m venv .*$", README, re.M)) == 2
    assert (ROOT / "docs" / "report.png").stat().st_size > 20_000


def test_every_rule_is_in_the_readme() -> None:
    assert rules_table() in README


def test_the_manual_of_forms_has_every_word_and_part() -> None:
    ledger, parts = (FORMS.split(f"## {head}")[1].split("\n## ")[0] for head in ("Words of the ledger", "Parts to put in"))
    assert set(re.findall(r"^\| `(\w+)` \|", ledger, re.M)) - {"ledger"} == set(LEDGER_WORDS)
    assert {c["name"] for c in causes()} <= set(re.findall(r"`(\w+)`", ledger))
    with (ROOT / "forms" / "_common" / "survey.csv").open(encoding="utf-8", newline="") as file:
        shipped = {part for row in csv.DictReader(file) for part in row["part"].split()}
    named = {name for row in re.findall(r"^\| (`[^|]*) \|", parts, re.M) for name in re.findall(r"`(\w+)`", row)}
    assert named == shipped
    assert "(docs/FORMS.md)" in README and "(docs/OWN_FORM.md)" in README and "(OWN_FORM.md)" in FORMS


def test_every_command_and_table_is_documented() -> None:
    commands = {c.name for c in app.registered_commands}
    assert commands == set(re.findall(r"^\| `formpack (\w+)", README, re.M))
    assert list(TABLES) == re.findall(r"^\| `(\w+)` \| ", README.split("## A form of your own")[0], re.M)[-len(TABLES) :]


def test_every_module_is_in_the_tree() -> None:
    for package in ("formpack", "pipeline"):
        for path in (ROOT / package).rglob("*.py"):
            if path.name != "__init__.py" and path.parent.name not in ("cli", "formulas"):
                assert path.name in DEVELOPERS, f"{path} is not in the tree of DEVELOPERS.md"


def test_the_bounds_are_those_of_the_program_and_what_was_tried_is_there() -> None:
    units = {"": 1, "kB": 2**10, "MB": 2**20, "GB": 2**30}
    bounds = {}
    for number, unit, module, name in re.findall(r"^\| .* \| ([\d,]+) ?(\w*) \| `([\w.]+)\.([A-Z_]+)` \|$", SECURITY, re.M):
        bounds[module, name] = int(number.replace(",", "")) * units[unit]
    wanted = {
        (module, name): value
        for module in ("formpack.submission", "formpack.sheets", "pipeline.intake.ingest", "pipeline.intake.blocks")
        for name, value in vars(importlib.import_module(module)).items()
        if name.startswith("MOST_") and not (module == "formpack.submission" and name in vars(sheets))
    }
    wanted |= {("pipeline.intake.trials", name): getattr(trials, name) for name in ("MOST_SECONDS", "MOST_MEMORY")}
    doors = {one for one in bounds if one[0].startswith("pipeline.field.receiver.")}
    wanted |= {(module, name): getattr(importlib.import_module(module), name) for module, name in doors}
    assert bounds == wanted and len(doors) > 7
    tests = re.findall(r"`(tests/[\w/]+\.py)`", SECURITY)
    assert len(tests) > 15 and all((ROOT / test).exists() for test in tests)
    assert "(SECURITY.md)" in README


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("readme")
    return folder / "demo-nursery", formpack("demo", cwd=folder)


def test_the_demo_says_what_the_readme_says(demo: tuple[Path, str]) -> None:
    shown = README.split("```text\n")[1].split("```")[0]
    assert demo[1] == shown


def test_where_to_count_next_is_what_the_readme_shows(demo: tuple[Path, str]) -> None:
    shown = README.split("**Where to count next.**")[1].split("```text\n")[1].split("```")[0]
    assert formpack("reconcile", "--next", "4", cwd=demo[0], code=1).endswith(shown)


def test_the_life_of_a_group_is_what_the_readme_shows(demo: tuple[Path, str]) -> None:
    line, shown = README.split("**The life of a group.**")[1].split("begins\n\n```text\n")
    command = line.rpartition("`formpack ")[2].strip("` ")
    assert formpack(*command.split(), cwd=demo[0]).startswith(shown.split("```")[0])


def test_what_can_be_promised_is_what_the_readme_shows(demo: tuple[Path, str]) -> None:
    line, shown = README.split("answers for one pair:")[0].rpartition("`formpack ")[2], README.split("answers for one pair:")[1]
    said = formpack(*line.split("`")[0].split(), cwd=demo[0])
    assert said.startswith(shown.split("```text\n")[1].split("```")[0])


def test_what_leaves_for_an_order_is_what_the_readme_shows(demo: tuple[Path, str]) -> None:
    shown = README.split("**Despatch papers.**")[1].split("```text\n")[1].split("```")[0]
    assert formpack("despatch", "O054", cwd=demo[0]) == shown


def test_the_commands_of_the_morning_work(demo: tuple[Path, str]) -> None:
    block = README.split("## A morning at the office")[1].split("```sh\n")[1].split("```")[0]
    lines = block.strip().splitlines()
    assert lines[0] == "formpack import"
    for line in lines:
        formpack(*line.split()[1:], cwd=demo[0], code=0 if line == "formpack due" else 1)


def test_no_address_of_a_registry_and_no_path_of_a_machine() -> None:
    found = []
    for path in ROOT.rglob("*"):
        parts = path.relative_to(ROOT).parts
        if path.suffix in (".py", ".md", ".toml", ".sql", ".html", ".csv", ".java") and not parts[0].startswith(
            (".venv", ".git", "demo-n")
        ):
            text = path.read_bytes().decode("utf-8", "replace")
            found += [
                str(path)
                for word in ("pypi" + ".org", "python" + "hosted", "registry" + ".npmjs", "/" + "root/.", "/" + "work/main")
                if word in text
            ]
    assert found == []


def test_sample_folders_are_sentences() -> None:
    for path in SAMPLES.glob("*/expected.json"):
        assert path.parent.name.count("_") >= 2
    assert shutil.which("python3")
