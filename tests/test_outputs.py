"""Files written together: killed or refused at any of their operations, all are the old ones or all the new."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from pipeline.findings import Refused
from pipeline.outputs import ASIDE, one_file, settle, together

OLD = {"phone/a.xml": "old a", "phone/b.csv": "old b", "reports/gone.csv": "old c"}
NEW = {"phone/a.xml": "new a", "phone/b.csv": "new b", "paper/d.html": "new d"}
KINDS = ("open", "os.rename", "os.link", "os.mkdir", "os.remove", "os.rmdir", "os.listdir", "os.scandir")


def lay(folder: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def there(folder: Path) -> dict[str, str]:
    """The files of the folder, but for what the program holds aside."""
    files = (p for p in folder.rglob("*") if p.is_file() and ASIDE not in p.parts)
    return {p.relative_to(folder).as_posix(): p.read_text(encoding="utf-8") for p in files}


def write_new(folder: Path) -> None:
    with together(folder) as files:
        for name, text in NEW.items():
            files.place(folder / name).write_text(text, encoding="utf-8")
        files.drop(folder / "reports" / "gone.csv")
        files.drop(folder / "reports" / "never_was.csv")


def in_child(folder: Path, number: int, kills: bool) -> int:
    """Write the new files in a process that is killed, or once refused, at its operation of that number on the folder; 7 where
    it was, 8 where it was refused and said so, 0 where it does not come to so many."""
    pid = os.fork()
    if pid:
        return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    seen = 0

    def hook(event: str, given: tuple[object, ...]) -> None:
        nonlocal seen
        if event in KINDS and str(given[0]).startswith(str(folder)):
            seen += 1
            if seen == number:
                if kills:
                    os._exit(7)
                raise PermissionError(13, "Permission denied", str(given[0]))

    sys.addaudithook(hook)
    code = 9
    try:
        write_new(folder)
        code = 0 if seen < number else 7
    except (OSError, Refused):
        code = 8
    finally:
        os._exit(code)


@pytest.mark.parametrize("kills", [True, False])
def test_killed_or_refused_anywhere_it_is_all_old_or_all_new(kills: bool, tmp_path: Path) -> None:
    found = []
    for number in range(1, 400):
        folder = lay(tmp_path / str(number), OLD)
        code = in_child(folder, number, kills)
        if code == 0:
            break
        if code == 8:
            assert there(folder) == OLD, number
        settle(folder)
        found.append(there(folder))
        assert found[-1] in (OLD, NEW), (number, code)
        assert {p.name for p in folder.glob(f"{ASIDE}/*")} <= {"lock", "lock-journal"}, number
        write_new(folder)
        assert there(folder) == NEW, number
    assert len(found) > 30 and OLD in found and NEW in found
    if kills:
        assert found == sorted(found, key=lambda files: files == NEW)  # there is one moment of decision


def test_a_refusal_while_putting_back_is_made_good_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = lay(tmp_path, OLD)
    (folder / "reports" / "x").mkdir(parents=True)
    plain = os.replace

    def refuse(source: Path, target: Path) -> None:
        if Path(target).name == "b.csv" or (Path(target).name == "a.xml" and "old" in Path(source).parts):
            raise PermissionError(13, "Permission denied", str(target))
        plain(source, target)

    with monkeypatch.context() as patched:
        patched.setattr("pipeline.outputs.os.replace", refuse)
        with pytest.raises(Refused, match=r"a\.xml could not be replaced \(Permission denied\).*Close it where it is open"):
            write_new(folder)
        assert there(folder) != OLD
        settle(folder)  # a command that only looks goes on
    settle(folder)
    assert there(folder) == OLD


def test_what_fails_in_the_middle_changes_nothing_and_one_inside_another_is_a_part_of_it(tmp_path: Path) -> None:
    folder = lay(tmp_path, OLD)
    with pytest.raises(ZeroDivisionError), together(folder):
        write_new(folder)
        assert there(folder) == OLD
        settle(folder)  # another command looks: what is being written is left alone
        raise ZeroDivisionError
    assert there(folder) == OLD
    with together(folder) as files:
        write_new(folder)
        assert files.now(folder / "phone" / "a.xml").read_text(encoding="utf-8") == "new a"
    assert there(folder) == NEW


def test_a_folder_on_another_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As where phone/ is a link into a folder that is carried to the phones."""
    plain = os.replace

    def replace(source: Path, target: Path) -> None:
        if (ASIDE in Path(source).parts) != (ASIDE in Path(target).parts):
            raise OSError(errno.EXDEV, "Invalid cross-device link", str(source))
        plain(source, target)

    folder = lay(tmp_path, OLD)
    monkeypatch.setattr("pipeline.outputs.os.replace", replace)
    write_new(folder)
    assert there(folder) == NEW


def test_a_folder_that_is_no_folder(tmp_path: Path) -> None:
    folder = lay(tmp_path, {"paper": "a file", "phone/a.xml": "old a"})
    with pytest.raises(Refused, match="could not be replaced"):
        write_new(folder)
    assert there(folder) == {"paper": "a file", "phone/a.xml": "old a"}


def test_one_file_is_whole_or_as_it_was(tmp_path: Path) -> None:
    with one_file(tmp_path / "list.xlsx") as beside:
        beside.write_text("one", encoding="utf-8")
    with pytest.raises(ZeroDivisionError), one_file(tmp_path / "list.xlsx") as beside:
        beside.write_text("two", encoding="utf-8")
        raise ZeroDivisionError
    assert there(tmp_path) == {"list.xlsx": "one"}
    (tmp_path / "folder.xlsx").mkdir()
    with pytest.raises(Refused), one_file(tmp_path / "folder.xlsx") as beside:
        beside.write_text("three", encoding="utf-8")
    assert there(tmp_path) == {"list.xlsx": "one"}


@pytest.mark.parametrize("plan", ['{"new": [', "{}", "[1]", '{"new": ["../outside"], "added": [], "gone": []}'])
def test_a_damaged_plan_stops_nobody_who_looks_and_is_said_to_who_writes(plan: str, tmp_path: Path) -> None:
    folder = lay(tmp_path, OLD | {f"{ASIDE}/ready/plan.json": plan, f"{ASIDE}/ready/new/a": ""})
    settle(folder)
    with pytest.raises(Refused, match=r"ready.plan\.json is damaged.*Delete"):
        write_new(folder)
    assert there(folder) == OLD


def test_a_damaged_lock_is_said(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="lock is damaged; delete it"):
        write_new(lay(tmp_path, OLD | {f"{ASIDE}/lock": "junk" * 1000}))
