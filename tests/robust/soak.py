"""A nursery's life lived twice: once calmly, once with faults of all kinds. Both end in the same books.

`python -m tests.robust.soak FOLDER DAYS SEED`
"""

from __future__ import annotations

import datetime as dt
import importlib
import json
import os
import pkgutil
import random
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pipeline
from formpack import catalog, xform
from formpack.group_code import issue
from pipeline.intake import ingest
from tests.conftest import new_workspace
from tests.hostile.corpus import OPENING, archive, corpus
from tests.robust.books import books_in
from tests.robust.faults import (
    KILLED,
    WAYS,
    Faults,
    _differing,
    be_ready,
    command,
    fewer_tables,
    files_in,
    in_child,
    left_over,
)

FIRST = dt.date(2026, 5, 1)
GROUPS = issue(2026, 801, 3)
FORMS = ("open_group", "stock_count", "loss")
TOO_LARGE = ("stock_count-scattered.xlsx", "ones.json", "columns.csv", "one-row.csv", "elements.xml", "note-5.answer.json")
"""Cases of the corpus whose findings, or cells, are many."""


@dataclass
class Day:
    """What happens on one day: files that come or change, by their names as bytes; links; rows for a list; then commands."""

    day: dt.date
    files: dict[bytes, bytes] = field(default_factory=dict)
    links: list[str] = field(default_factory=list)
    staff: str = ""
    commands: list[tuple[str, ...]] = field(default_factory=list)
    decides: tuple[str, str] = ("", "")
    """The submission, and the decision, of the list that is taken in."""


def life(days: int, seed: int) -> list[Day]:
    """What happens, the same for the calm life and the other."""
    dice = random.Random(seed)
    bad = [(n, c) for n, (c, _) in sorted(corpus().items()) if n not in TOO_LARGE]
    dice.shuffle(bad)
    bad.sort(key=lambda case: not case[0].endswith((".zip", ".xlsx", "laughs.xml")))  # what is built to harm comes first
    found = []
    open_: list[tuple[str, str]] = []
    for number in range(days):
        day = Day(FIRST + dt.timedelta(number))
        today = day.day.isoformat()
        if number == 0:
            for code in GROUPS:
                day.files[f"open-{code}.json".encode()] = json.dumps(OPENING | {"KEY": code, "group_code": code}).encode()
            day.files[b"0-opening.json"] = json.dumps(OPENING).encode()
        said = [(n, dice.choice(GROUPS), dice.randint(930, 960)) for n in range(dice.randint(3, 5))]
        rows = [f"c{number}-{n},{today},S01,{group},whole,{counted}" for n, group, counted in said]
        table = ("KEY,visit_date,staff_code,group_code,coverage,counted\n" + "\n".join(rows) + "\n").encode()
        wrong = f"w{number},{today},S01,{GROUPS[0]},whole,-{number + 1}\n".encode()
        if number % 3 == 1:  # under a name that does not say what it is; the next day under a better one
            day.files[f"counts-{number}.csv".encode()] = table
        elif number % 3 == 2:
            day.files[f"stock_count-{number}.csv".encode()] = found[-1].files[f"counts-{number - 1}.csv".encode()]
            day.files[f"stock_count {number}.csv".encode()] = table + wrong
            open_.append((f"w{number}", today))
        else:
            day.files[f"stock_count-{number}\xff.csv".encode("latin-1")] = table  # no UTF-8
        for _ in range(dice.randint(1, 3)):
            name, content = bad.pop(0)
            day.files[name.encode()] = content
        if number % 5 == 1:
            day.files[f"photo-{number}.jpg".encode()] = b"\xff\xd8" + dice.randbytes(50_000)
        if number % 7 == 3:
            day.links.append(f"link-{number}.xml")
            day.files[f"large-{number}.zip".encode()] = archive(("a.txt", dice.randbytes(1_200_000)))
        if number % 6 == 4:
            day.staff = f"S{70 + number},Helper {number},yes\n"
        day.commands.append(("import",))
        if number % 6 == 5 and open_:
            day.decides = (open_.pop(0)[0], "withdraw")
            day.commands += [("problems", "--to", "list.xlsx"), ("correct", "list.xlsx", "--by", "S01")]
            if number % 12 == 11:
                day.commands.append(("correct", "list.xlsx", "--by", "S01", "--undo"))
        if number % 15 == 9:
            day.commands.append(("forms",))
        if number % 20 == 13:
            day.commands.append(("report",))
        if number % 10 == 7:
            day.commands.append(("export", f"../backup-{number}"))
        found.append(day)
    return found


def _happens(day: Day, folder: Path) -> None:
    """What comes in, and what people write by hand."""
    (folder / "nursery.toml").write_text(f'name = "Scenario nursery"\ntoday = {day.day}\n', encoding="utf-8")
    for name, content in day.files.items():
        Path(os.fsdecode(os.fsencode(folder / "inbox") + b"/" + name)).write_bytes(content)
    for name in day.links:
        (folder / "inbox" / name).symlink_to("0-opening.json")
    if day.staff:
        with (folder / "lists" / "staff.csv").open("a", encoding="utf-8") as file:
            file.write(day.staff)


def _decide(folder: Path, instance_id: str, decision: str) -> None:
    import openpyxl

    book = openpyxl.load_workbook(folder / "list.xlsx")
    sheet: Any = book.active
    place = {cell.value: number for number, cell in enumerate(sheet[1])}
    for row in sheet.iter_rows(min_row=2):
        if row[place["submission"]].value == instance_id:
            row[place["decision"]].value, row[place["reason"]].value = decision, "a test"
    book.save(folder / "list.xlsx")


# -- in children


def _done(words: tuple[str, ...], folder: Path, said: Path, way: str, at: int, seen: Path | None) -> int:
    faults = Faults(folder.parent, way, at)
    faults.watch()
    code = command(words, folder, said)
    if seen is not None:
        seen.write_text("\n".join(faults.seen), encoding="utf-8")
    return code


def _while_it_grows(folder: Path, said: Path) -> int:
    """An import during which the first file that is read is still being written."""
    plain, grown = ingest._pieces, []

    def pieces(file: Any) -> Any:
        for piece in plain(file):
            if not grown:
                grown.append(file.name)
                with open(file.name, "ab") as more:
                    more.write(b" ")
            yield piece

    ingest._pieces = pieces
    code = command(("import",), folder, said)
    content = Path(grown[0]).read_bytes()
    Path(grown[0]).write_bytes(content[:-1])
    return code


def _books(folder: Path, target: Path) -> None:
    import pickle

    found = {name: rows for name, rows in books_in(folder).items() if name not in ("marks", "changes", "between")}
    target.write_bytes(pickle.dumps((found, files_in(folder / "reports"), files_in(folder / "phone"))))


class Lived:
    """One life. Each command is done until it comes to its end."""

    def __init__(self, where: Path, faults: random.Random | None, operations: dict[tuple[int, int], list[str]]) -> None:
        self.where, self.dice, self.operations = where, faults, operations
        self.folder = new_workspace(where / "nursery").folder
        self.happened: Counter[str] = Counter()

    def do(self, number: int, day: Day, place: int, words: tuple[str, ...]) -> None:
        said = self.where.parent / "said"
        key = number, place
        if self.dice is None:
            code = in_child(_done, words, self.folder, said, "", 0, self.where.parent / "seen")
            assert code in (0, 1), (day.day, words, code, said.read_text())
            self.operations[key] = (self.where.parent / "seen").read_text(encoding="utf-8").splitlines()
            return
        if words == ("import",):
            self._odd_mornings(number, day, said)
        while self.dice.random() < 0.3:
            seen = self.operations[key]
            way, at = self.dice.choice(WAYS), self.dice.randint(1, len(seen))
            if words == ("import",) and self.dice.random() < 0.1:  # while files are read
                way, at = "killed", len(seen) - seen[::-1].index("open") + 3
            code = in_child(_done, words, self.folder, said, way, at, None)
            self.happened[way if code in (2, KILLED) else "came to its end all the same"] += 1
            assert code in (0, 1, 2, KILLED), (day.day, words, way, at, said.read_text())
            if code in (0, 1) or (words[0] == "export" and (self.where / words[1][3:]).exists()):
                return
        code = in_child(_done, words, self.folder, said, "", 0, None)
        assert code in (0, 1), (day.day, words, code, said.read_text())

    def _odd_mornings(self, number: int, day: Day, said: Path) -> None:
        """What is refused or not taken in, and must leave nothing behind."""
        assert self.dice is not None
        if number > 2 and self.dice.random() < 0.15:  # the clock is slow, or years ahead
            wrong = self.dice.choice([day.day - dt.timedelta(2), dt.date(2031, 1, 1)])
            code = in_child(command, ("import", "--as-of", wrong.isoformat()), self.folder, said)
            assert code == 2 and "Nothing was taken in" in said.read_text(encoding="utf-8"), (code, said.read_text())
            self.happened["a wrong clock"] += 1
        if self.dice.random() < 0.1:
            code = in_child(_while_it_grows, self.folder, said)
            assert code in (0, 1) and "could not be taken in" in said.read_text(encoding="utf-8"), said.read_text()
            self.happened["a growing file"] += 1

    def live(self, days: list[Day]) -> None:
        for number, day in enumerate(days):
            _happens(day, self.folder)
            for place, words in enumerate(day.commands):
                self.do(number, day, place, words)
                if words[0] == "problems":
                    assert in_child(_decide, self.folder, *day.decides) == 0
        assert in_child(command, ("check",), self.folder, self.where.parent / "said") == 0
        assert left_over(self.folder) == [], left_over(self.folder)

    def books(self, folder: Path) -> Any:
        import pickle

        assert in_child(_books, folder, self.where.parent / "books") == 0
        return pickle.loads((self.where.parent / "books").read_bytes())


def main(where: Path, days: int, seed: int) -> None:
    few = {name: form for name, form in catalog.load_forms().items() if name in FORMS}
    xform.has_java = lambda: False
    catalog._shipped_forms = lambda: few  # type: ignore[attr-defined]
    be_ready(m.name for m in pkgutil.walk_packages(pipeline.__path__, "pipeline."))
    for name in ("openpyxl", "numpy", "scipy.special", "pandera", "pandera.pandas", "pyxform", "matplotlib.figure"):
        importlib.import_module(name)
    fewer_tables()
    story = life(days, seed)
    operations: dict[tuple[int, int], list[str]] = {}
    calm = Lived(where / "calm", None, operations)
    calm.live(story)
    rough = Lived(where / "rough", random.Random(seed), operations)
    rough.live(story)
    wanted, found = calm.books(calm.folder), rough.books(rough.folder)
    others = [_differing(mine, theirs) for mine, theirs in zip(found, wanted, strict=True)]
    assert not any(others), others
    said = where / "said"
    assert in_child(command, ("export", "../last"), rough.folder, said) == 0, said.read_text()
    restored = where / "rough" / "restored"
    words = ("rebuild", "--from", "last", "--workspace", "restored")
    assert in_child(command, words, where / "rough", said) == 0, said.read_text()
    assert in_child(command, ("check",), restored, said) == 0, said.read_text()
    assert not (other := _differing(rough.books(restored)[0], wanted[0])), other
    print(f"{days} days, {sum(map(len, (d.commands for d in story)))} commands; {dict(sorted(rough.happened.items()))}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
