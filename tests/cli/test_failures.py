"""How a command ends that does not end well: one line, an exit code, and nothing half done."""

from __future__ import annotations

import ast
import io
import os
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from pipeline import run
from pipeline.cli import main
from tests.conftest import ROOT, new_workspace


@pytest.fixture
def nursery(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = new_workspace(tmp_path / "nursery").folder
    monkeypatch.chdir(folder)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return folder


def ends(patch: pytest.MonkeyPatch, *words: str) -> int:
    """The exit code of the whole program with these words."""
    patch.setattr(sys, "argv", ["formpack", *words])
    with pytest.raises(SystemExit) as end:
        main()
    return int(end.value.code or 0)


def fails(with_what: BaseException) -> Any:
    def fail(*_: object, **__: object) -> None:
        raise with_what

    return fail


def test_a_failure_is_one_line_and_the_full_text_is_in_a_file(
    nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for wrong in (KeyError("a \x1b[31m fault"), EOFError("cut off"), MemoryError()):
        monkeypatch.setattr(run, "import_files", fails(wrong))
        assert ends(monkeypatch, "import", "x y.csv") == 3
        out, err = capsys.readouterr()
        assert out == "" and err.count("\n") == 1 and "Nothing that came in is lost" in err and "\x1b" not in err
        (path,) = (nursery / "errors").iterdir()
        assert f"errors/{path.name}" in err
        text = path.read_text(encoding="utf-8")
        assert "Traceback" in text and ", in fail\n" in text and type(wrong).__name__ in text
        assert re.match(r"formpack \S+, Python 3\.", text) and "\nformpack import 'x y.csv'\n" in text
        path.unlink()
    elsewhere = nursery.parent / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    assert ends(monkeypatch, "import", f"--workspace={nursery}") == 3  # its own folder has it
    assert len(list((nursery / "errors").iterdir())) == 1
    monkeypatch.setattr("pipeline.workspace.make_workspace", fails(MemoryError()))
    assert ends(monkeypatch, "init") == 3  # no nursery
    (path,) = nursery.parent.glob("formpack-*.txt")
    assert str(path) in capsys.readouterr().err and not (elsewhere / "errors").exists()
    monkeypatch.setattr("tempfile.tempdir", str(elsewhere / "none"))
    assert ends(monkeypatch, "init") == 3
    assert "MemoryError" in capsys.readouterr().err  # there is no place for it: then it is on the screen


def test_what_is_refused_and_what_is_asked_wrongly_stay_2(
    nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ends(monkeypatch, "due") == 2 and ends(monkeypatch, "due", "--days", "x") == 2
    assert ends(monkeypatch, "init") == 0 and ends(monkeypatch, "--help") == 0
    assert not (nursery / "errors").exists()
    capsys.readouterr()
    assert ends(monkeypatch, "due", "--workspace", "n\udcff") == 2
    assert capsys.readouterr().err.startswith("The name of the folder n\\udcff is not written in UTF-8")
    monkeypatch.setattr("pipeline.workspace.make_workspace", fails(PermissionError(13, "Permission denied", "lists")))
    assert ends(monkeypatch, "init") == 2
    assert capsys.readouterr().err.startswith("The disk refuses: Permission denied (lists).")


def test_ctrl_c_anywhere_is_a_sentence(
    nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for where in ("pipeline.workspace.make_workspace", "pipeline.cli.init.say"):
        with monkeypatch.context() as patch:
            patch.setattr(where, fails(KeyboardInterrupt()))
            assert ends(patch, "init") == 2
        assert capsys.readouterr().err == "Stopped; the books are as they were before.\n"


def test_a_reader_that_wants_no_more_is_no_failure(nursery: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    errors = io.StringIO()
    with os.fdopen(writing, "w", encoding="utf-8") as out:
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", errors)
        assert ends(monkeypatch, "init") == 0
        assert ends(monkeypatch, "init", "--json") == 0
    assert errors.getvalue() == ""


def test_a_screen_of_another_alphabet(nursery: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    screen = io.TextIOWrapper(io.BytesIO(), encoding="cp1252")
    monkeypatch.setattr(sys, "stdout", screen)
    assert ends(monkeypatch, "init", "柑橘-José", "--json") == 0
    screen.seek(0)
    assert '"workspace": "\\u67d1\\u6a58-José"' in screen.read()


def test_commands_print_in_one_way_and_open_a_workspace_in_one() -> None:
    for path in (ROOT / "pipeline" / "cli").glob("*.py"):
        named = {ast.unparse(node) for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))}
        calls = {"typer.echo", "typer.secho", "typer.style", "print", "sys.stdout.write", "Workspace(workspace)"}
        assert not named & calls or path.name == "frame.py", path
    frame = (ROOT / "pipeline" / "cli" / "frame.py").read_text(encoding="utf-8")
    assert frame.count("typer.echo(") == 1 and frame.count("Workspace(") == 1
