"""What the commands print, and what the book says, in a language that brackets every marked message: the rest is data."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import lxml.html
import pytest
from babel.dates import get_month_names

from formpack.catalog import causes
from formpack.words import LANGUAGES
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.cli.test_cli import formpack
from tests.conftest import DAY, SAMPLES, new_workspace, table
from tests.words.catalogues import help_texts
from tests.words.pseudo import bracketed, unmarked

LINES = (
    "import",
    "import --sure",
    "records --most 2",
    "records --to list.xlsx",
    "problems --to list.xlsx",
    "problems --severity some",
    "problems --rule some",
    "reconcile --next 5000",
    "reconcile --next 2",
    "due",
    "signs --changed --kind tree",
    "signs --new 2",
    "signs --place some",
    "receive --add-person nobody",
    "receive --remove-person S01",
    "receive --listen some",
    "receive --listen 8.8.8.8",
    "receive --key key.pem",
    "due --to due.pdf --ics due.ics",
    "due --team none",
    "due --team T02",
    "plan",
    "check",
    "trace",
    "trace --batch none",
    "trace --group none",
    "trace --seed-lot L2601-CARR",
    "trace --order O001",
    "trace --sowing none",
    "history nobody",
    "history 26-0801-97",
    "history 26-0802-94",
    "history 26-0809-73",
    "history 26-0801-97 --to {}.html",
    "despatch O001",
    "despatch nobody",
    "records --group none",
    "report",
    "report --for-inspection",
    "problems",
    "rebuild",
    "export {}",
    "export {0} --parquet",
    "combine {0} --workspace {0}-body",
    "init",
)
"""What is said by the commands and the book alone."""


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A group with a count that later ones bear out as wrong, one to count again, one counted to 0, and a wrong code."""
    workspace = new_workspace(tmp_path_factory.mktemp("spoken") / "nursery")
    bench = Bench(workspace)
    for group in range(3):
        bench.open(group, 1000)
    bench.counts(0, 948, 944, 940, 904, 937, 937)
    bench.counts(1, 998, 997, 996, 995, 994, 944)
    bench.counts(2, 998, 997, 996, 995, 994, 0)
    bench.take_in(DAY)
    shutil.copytree(SAMPLES / "a_wrong_digit_in_the_code" / "inbox", workspace.inbox, dirs_exist_ok=True)
    formpack("import", cwd=workspace.folder, code=1)
    return workspace.folder


def _names(nursery: Path) -> set[str]:
    """The nursery's words: labels and codes of its lists, and what forms are called."""
    found = {"es", "phone", "paper", "reports", "some", "nobody", "none", "backup", "body", nursery.name}
    for path in (nursery / "lists").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            found |= {c for row in csv.DictReader(file) for c in row.values() if re.search(r"[^\W\d]{3}", c)}
    return found | {form.title_in("Español (es)") for form in Workspace(nursery).forms.values()}


def test_every_line_is_marked(nursery: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    names, left = _names(nursery), {}
    bracketed(monkeypatch)
    for line in LINES:
        said = formpack(*line.format(tmp_path / "backup").split(), cwd=nursery, code=None)
        assert "⟦" in said, line
        # what was answered stands four letters in
        left[line] = unmarked(" ".join(t for t in said.splitlines() if not t.startswith("    ")), names)
    assert left == {line: [] for line in LINES}


@pytest.mark.parametrize(
    ("line", "file"),
    [("report", "nursery-report.html"), ("report --for-inspection --unchecked", "inspection/inspection.html")],
)
def test_every_word_of_the_page_is_marked(nursery: Path, monkeypatch: pytest.MonkeyPatch, line: str, file: str) -> None:
    names = _names(nursery) | {cause["label::Español (es)"] for cause in causes()} | {Workspace(nursery).settings.name}
    bracketed(monkeypatch)
    formpack(*line.split(), cwd=nursery, code=1)
    page = lxml.html.parse(nursery / "reports" / file).getroot()
    lxml.etree.strip_elements(page, "script", "style")
    said = re.sub("⟦[^⟦⟧]*…", " ", "\n".join(page.itertext()))  # names in drawings that are cut
    left = [word for word in unmarked(said, names) if word not in get_month_names("abbreviated", locale="es").values()]
    assert not left, " ".join(left)


def test_every_word_of_a_group_s_page_is_marked(nursery: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    names = _names(nursery) | {cause["label::Español (es)"] for cause in causes()} | {Workspace(nursery).settings.name}
    bracketed(monkeypatch)
    formpack("history", "26-0801-97", "--to", str(tmp_path / "life.html"), cwd=nursery)
    page = lxml.html.parse(tmp_path / "life.html").getroot()
    lxml.etree.strip_elements(page, "script", "style")
    left = unmarked("\n".join(page.itertext()), names)
    assert not set(left) - set(get_month_names("abbreviated", locale="es").values()), left


def test_what_the_book_says_is_marked(nursery: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = _names(nursery)
    bracketed(monkeypatch)
    said = formpack("reconcile", cwd=nursery, code=1)
    advice = "\n".join(says for (says,) in table(Workspace(nursery), "discrepancies", "advice"))
    assert "⟦the count of ⟧10 de junio de 2026⟦ probably has two digits swapped (⟧904⟦ was written⟧" in advice
    assert unmarked(advice, names) == []
    printed = [line for line in said.splitlines() if line.startswith("⟦") or line[:1].isdigit()]
    assert unmarked("\n".join(printed), names) == [], said


def test_help_is_in_the_language_that_is_asked_for_or_set(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert "Only this group." in set(help_texts())
    for language in LANGUAGES:
        monkeypatch.setattr("formpack.words._catalogue", lambda code: _Shouting() if code == "pt" else None)
        (tmp_path / "nursery.toml").write_text(f'name = "N"\nlanguage = "X ({language})"\n', encoding="utf-8")
        is_pt = language == "pt"
        if language != "es":  # there is no catalogue of it here
            assert ("ONLY THIS GROUP." in formpack("problems", "--help", cwd=tmp_path)) == is_pt
            assert ("TAKE IN WHAT CAME" in formpack("--help", cwd=tmp_path)) == is_pt
    (tmp_path / "nursery.toml").write_text("name = [", encoding="utf-8")
    assert "Only this group." in formpack("problems", "--help", cwd=tmp_path)
    assert "ONLY THIS GROUP." in formpack("problems", "--help", "--language", "pt", cwd=tmp_path)


class _Shouting:
    def gettext(self, message: str) -> str:
        return message.upper()
