"""Whatever is imported, decided, edited and looked at, in whatever order and on whatever days: every table is what one full
run makes of what is kept."""

from __future__ import annotations

import csv
import datetime as dt
import os
import random
import re
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from formpack import shipped
from pipeline import run, seals
from pipeline.field.printed import keep_printed
from pipeline.findings import Rule
from pipeline.intake.corrections import add, all_corrections
from pipeline.office.desk import Decided, Desk, decide_list, row_key
from pipeline.office.problem_list import findings
from pipeline.stages import Ledger, Runner, Stage
from pipeline.store import Store
from pipeline.tables import TABLES
from pipeline.workspace import LISTS, Workspace
from tests.bench.nursery import make
from tests.conftest import DAY, SAMPLES, new_workspace

EXAMPLES = 3 if os.environ.get("CI") else 2
STEPS = 7
SCENARIOS = sorted(p.parent for p in SAMPLES.glob("*/expected.json"))
WHEN = dt.datetime(2026, 11, 2, 9, 0)


def _add_rows(path: Path, other: Path) -> None:
    """Add the rows of another list whose codes are new, where there is one."""
    if not other.exists():
        return
    with path.open(encoding="utf-8", newline="") as lines:
        reader = csv.DictReader(lines)
        head, rows = list(reader.fieldnames or ()), list(reader)
    with other.open(encoding="utf-8", newline="") as lines:
        known = {row.get("code") for row in rows}
        rows += [{h: row.get(h, "") for h in head} for row in csv.DictReader(lines) if row.get("code") not in known]
    with path.open("w", encoding="utf-8", newline="") as lines:
        table = csv.DictWriter(lines, head)
        table.writeheader()
        table.writerows(rows)


class Life:
    """A workspace to which anything may happen."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.dice = random.Random(seed)
        self.workspace = new_workspace(folder / "nursery")
        self.day = DAY
        files = [p for s in self.dice.sample(SCENARIOS, 6) for p in sorted((s / "inbox").iterdir())]
        make(folder / "small", 120, 3, 5 + seed % 2, ["files"], 6)
        self.files = files + sorted(p for p in (folder / "small").rglob("*") if p.suffix in (".xml", ".zip"))
        for path in self.workspace.lists.glob("*.csv"):
            _add_rows(path, folder / "small" / "lists" / path.name)
        self.done: list[str] = []

    def again(self) -> Workspace:
        """The workspace with its files as they are now."""
        self.workspace = Workspace(self.workspace.folder)
        return self.workspace

    def take_in(self) -> None:
        some = self.dice.sample(self.files, self.dice.randint(1, max(1, len(self.files) // 2)))
        run.import_files(self.again(), some, self.day, show=self._names(), is_sure=True)

    def decide(self) -> None:
        with run.opened(self.again(), ("problems", "submissions"), self.day) as (_, _):
            pass
        with Store.open(self.workspace.store_file) as store:
            rows = [row for row in findings(store) if row[1]]
            if not rows:
                return
            lists = {name: {r["code"] for r in self.workspace.read_list(name)} for name in LISTS if name != "compatibility"}
            desk = Desk(store, self.workspace.forms, lists, "S01", WHEN)
            chosen = []
            for row in self.dice.sample(rows, min(3, len(rows))):
                what = self.dice.choice(["withdraw", "correct", "accept as it is"])
                if what == "accept as it is" and not Rule[row[9]].may_be_accepted:
                    what = "withdraw"
                new = self.dice.choice(["7", "960", "2026-07-01", ""])
                chosen.append(Decided(len(chosen), what, row[8] or "visit_date", new, "asked", row[9], row[10], row[-1]))
            with store.transaction():
                decide_list(desk, chosen, undo=False)

    def undo(self) -> None:
        if not self.workspace.store_file.exists():
            return
        with Store.open(self.workspace.store_file) as store:
            records = [r for r in all_corrections(store) if r.kind in ("correct", "accept", "withdraw")]
            if records:
                last = records[-1]
                with store.transaction():
                    add(store, [replace(last.opposite(len(all_corrections(store)) + 1, WHEN, "S02", "undone"))])

    def correct_a_day(self) -> None:
        """Say of some files that they came in on the day that it is now."""
        with Store.open(self.workspace.store_file) as store:
            files = [f"file:{sha}" for (sha,) in store.rows("SELECT sha256 FROM kept.raw_files ORDER BY sha256")]
            some = self.dice.sample(files, min(5, len(files)))
            rows = [
                Decided(n, "correct", "received_on", f"{self.day}", "asked", "", i, row_key("", i, "", "", 10**6))
                for n, i in enumerate(some)
            ]
            with store.transaction():
                verdicts = decide_list(Desk(store, self.workspace.forms, {}, "S01", WHEN), rows, undo=False)
            assert "refused" not in {v.what for v in verdicts}

    def edit_a_list(self) -> None:
        path = self.workspace.lists / f"{self.dice.choice(sorted(LISTS))}.csv"
        lines = path.read_text(encoding="utf-8").splitlines()
        if len(lines) > 2:
            at = self.dice.randrange(1, len(lines))
            kept = (
                lines[:at] + lines[at + 1 :] if self.dice.random() < 0.5 else [*lines[:at], *sorted(lines[at:], reverse=True)]
            )
            path.write_text("\n".join(kept) + "\n", encoding="utf-8")

    def edit_a_form(self) -> None:
        own = self.workspace.folder / "forms"
        if self.dice.random() < 0.5:
            shutil.copytree(SAMPLES / "a_form_of_the_nursery_s_own" / "forms", own, dirs_exist_ok=True)
        else:
            name = self.dice.choice(["bud_take", "stock_count", "transfer"])
            shutil.copytree(shipped("forms") / name, own / name, dirs_exist_ok=True)
            sheet = own / name / "survey.csv"
            text = sheet.read_text(encoding="utf-8")
            sheet.write_text(text.replace("<= 20000", f"<= {self.dice.choice([400, 900, 20000])}"), encoding="utf-8")

    def edit_settings(self) -> None:
        line = self.dice.choice(
            ["[counting]\nexact = 0.5", "[tolerances]\nremainder = 900", "crate_size = 10", "[intervals]\nstake = 30"]
        )
        text = f'name = "Scenario nursery"\n{line}\n'
        (self.workspace.folder / "nursery.toml").write_text(text, encoding="utf-8")

    def print_a_paper(self) -> None:
        """Of some order and some groups, which know some of what was sent."""
        if not self.workspace.store_file.exists():
            return
        with run.opened(self.again(), ("deliveries",), self.day):
            pass
        with Store.open(self.workspace.store_file) as store, store.transaction():
            sent = store.rows("SELECT group_code, order_ref, instance_id FROM work.deliveries ORDER BY ALL")
            leaves = [{"group_code": code, "trees": self.dice.randint(1, 300)} for code in sorted({s[0] for s in sent})[::2]]
            known = [submission for _, _, submission in sent if self.dice.random() < 0.2]
            day = self.day - dt.timedelta(days=self.dice.choice([0, 400]))
            for order in sorted({"O001", *(order for _, order, _ in sent)}):
                keep_printed(store, day, "despatch", {order: {"leaves": leaves, "known": known}})

    def another_day(self) -> None:
        self.day += dt.timedelta(days=self.dice.choice([-200, -31, -1, 1, 1, 30]))

    def look(self) -> None:
        if self.workspace.store_file.exists():
            with run.opened(self.again(), self._names(), self.day):
                pass

    def _names(self) -> tuple[str, ...]:
        return tuple(self.dice.sample(sorted(TABLES), self.dice.randint(1, 3)))

    def live(self) -> None:
        ways = [
            self.take_in,
            self.take_in,
            self.take_in,
            self.decide,
            self.undo,
            self.correct_a_day,
            self.edit_a_list,
            self.edit_a_form,
            self.edit_settings,
            self.print_a_paper,
            self.another_day,
            self.another_day,
            self.look,
        ]
        self.take_in()
        for _ in range(STEPS):
            way = self.dice.choice(ways)
            self.done.append(way.__name__)
            way()

    def differing(self) -> list[str]:
        """The tables that are not as of one full run, when all have been looked at, today and tomorrow."""
        for _ in range(2):
            with run.opened(self.again(), as_of=self.day):
                pass
            self.day += dt.timedelta(days=1)
        with Store.open(self.workspace.store_file) as store:
            return run.damaged(store) + seals.faults(store.connection) + run.differs_when_rebuilt(store, self.workspace)


@given(seed=st.integers(0, 10**6))
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_every_table_is_that_of_one_full_run(seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        life = Life(Path(folder), seed)
        life.live()
        assert life.differing() == [], life.done


UNSAID = [("due", "day", 0), ("standing", "stands_now", 2)]
"""Stages with one of the things they read, and the life that was the first to end otherwise: it is lived first."""


@pytest.mark.parametrize(("name", "read", "first"), UNSAID if os.environ.get("CI") else UNSAID[:1])
def test_a_read_that_is_not_declared_is_seen(name: str, read: str, first: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The proof above can fail: where a stage does not look at one of the things it reads, some life ends otherwise."""
    stale = Ledger.stale

    def unseen(self: Ledger, stage: Stage) -> list[str] | None:
        found = stale(self, stage)
        return found if found is None or stage.name != name else [r for r in found if r != read]

    monkeypatch.setattr(Ledger, "stale", unseen)
    for seed in sorted(range(12), key=lambda seed: seed != first):
        with tempfile.TemporaryDirectory() as folder:
            life = Life(Path(folder), seed)
            life.live()
            if life.differing():
                return
    raise AssertionError(f"nobody noticed that {name} reads {read}")


def test_every_stage_reads_only_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All queries of all stages are watched: the tables they name are declared."""
    seen: dict[str, set[str]] = {}
    running: list[Stage] = []
    whole_run = Runner._run

    class Watched:
        def __init__(self, connection: object) -> None:
            self._connection = connection

        def execute(self, query: str, *values: object) -> object:
            if running:
                seen.setdefault(running[-1].name, set()).update(re.findall(r"\b(?:work\.|part_(?!of\b))\"?(\w+)", query))
            return self._connection.execute(query, *values)  # type: ignore[attr-defined]

        def __getattr__(self, name: str) -> object:
            return getattr(self._connection, name)

    made = Store.__init__
    monkeypatch.setattr(Store, "__init__", lambda self, connection, *more: made(self, Watched(connection), *more))

    def watched(self: Runner, stage: Stage, stale: list[str] | None) -> None:
        running.append(stage)
        whole_run(self, stage, stale)
        running.pop()

    monkeypatch.setattr(Runner, "_run", watched)
    for seed in range(2 if os.environ.get("CI") else 1):
        life = Life(tmp_path / str(seed), seed)
        life.live()
        with run.opened(life.again(), as_of=life.day):
            pass
    assert set(seen) == {stage.name for stage in run.STAGES}
    bookkeeping = {"changes", "state", "parsed_files", "chain_cache"}
    for stage in run.STAGES:
        own = {*stage.makes, *(f"new_{t}" for t in stage.makes)}
        assert seen[stage.name] <= set(stage.reads) | own | bookkeeping, stage.name


def test_the_rows_of_a_key_depend_on_that_key_alone(tmp_path: Path) -> None:
    """Each stage that can be made in parts, made of one key at a time, makes the very rows that stand there. The keys are those
    of groups that plants moved between, and some others."""
    life = Life(tmp_path, 7)
    make(tmp_path / "larger", 700, 3, 5, ["zip"], 0)
    for path in life.workspace.lists.glob("*.csv"):
        _add_rows(path, tmp_path / "larger" / "lists" / path.name)
    run.import_files(life.workspace, [*life.files, tmp_path / "larger" / "xml.zip"], DAY, show=run.EVERYTHING)
    looked_at = 0
    with Store.open(life.workspace.store_file) as store:
        runner = run._runner(store, life.workspace, DAY)
        for stage in (s for s in run.STAGES if s.key):
            moved = (
                f"SELECT DISTINCT group_code FROM work.movements WHERE kind = '{life.dice.choice(['moved_in', 'moved_out'])}'"
            )
            table = next(t for t in stage.makes)
            keys = [
                k for (k,) in store.rows(f'SELECT DISTINCT "{stage.key}" FROM work."{table}" WHERE "{stage.key}" IS NOT NULL')
            ]
            chosen = life.dice.sample(keys, min(6, len(keys)))
            if stage.key == "group_code":
                linked = [k for (k,) in store.rows(moved) if k in keys]
                chosen += life.dice.sample(linked, min(8, len(linked)))
            for key in chosen:
                work = runner.made(stage, runner.parts(stage, f"SELECT '{key}' AS key"))
                for name in sorted(work.made):
                    here = f'FROM work."{name}" WHERE "{stage.key}" = \'{key}\''
                    assert store.rows(f'SELECT * FROM "new_{name}" ORDER BY ALL') == store.rows(
                        f"SELECT * {here} ORDER BY ALL"
                    ), (name, key)
                    looked_at += 1
    assert looked_at > 300
