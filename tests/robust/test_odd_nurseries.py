"""Nurseries in which anything may be recorded: whatever the numbers, no warning, no traceback, no impossible answer."""

from __future__ import annotations

import datetime as dt
import os
import random
from pathlib import Path

import pytest

from pipeline import run
from pipeline.report import write_report
from tests.book.test_reconcile import Bench
from tests.conftest import looked_at, new_workspace
from tests.rates.test_rates import CODES, bud, opened, read


def anything(bench: Bench, dice: random.Random) -> None:
    """Up to eight groups of up to twenty thousand plants, with counts, losses, moves, despatches and buds that need not fit."""
    most = dice.choice([5, 50, 1000, 20_000])

    def day() -> str:
        return f"{dice.randint(2, 8):02}-{dice.randint(1, 28):02}"

    def note(form: str, group: int, **answers: object) -> None:
        bench.note(form, day(), 0, who=dice.choice(["S01", "S02"]), recount="yes", **answers)
        bench.rows[form][-1]["group_code"] = CODES[group]

    groups = dice.randint(1, 8)
    for g in range(groups):
        planted = dice.randint(0, most)
        opened(bench, g, planted, lifted=planted + dice.randint(0, 50))
        for _ in range(dice.randint(0, 9)):
            kind = dice.random()
            if kind < 0.5:
                said = [planted, 0, dice.randint(0, most), int(str(planted)[::-1]), max(0, planted - dice.randint(0, 30))]
                note("stock_count", g, coverage="whole", counted=dice.choice(said))
            elif kind < 0.6:
                note("loss", g, lost=dice.randint(0, most), loss_cause="dead")
            elif kind < 0.7:
                reason = dice.choice(["regrade", "merge", "split", "set_aside"])
                note(
                    "transfer",
                    g,
                    to_group=CODES[dice.randint(0, groups + 1)],
                    moved=dice.randint(1, most),
                    transfer_reason=reason,
                )
            elif kind < 0.8:
                note("despatch", g, despatched=dice.randint(0, most), order_ref="O001", consignee="Farm")
            elif kind < 0.9:
                bud(bench, g, f"T{dice.randint(1, 4):02}", dice.randint(0, most), day=day(), attempt=dice.randint(1, 3))
            else:
                read(
                    bench,
                    g,
                    f"T{dice.randint(1, 4):02}",
                    dice.randint(0, most),
                    dice.randint(0, 10),
                    unsure=dice.randint(0, 5),
                    day=day(),
                    attempt=dice.randint(1, 3),
                )


@pytest.mark.parametrize("seed", range(10) if os.environ.get("CI") else [3, 51, 74])
def test_whatever_is_recorded(seed: int, tmp_path: Path) -> None:
    bench = Bench(new_workspace(tmp_path / "nursery"))
    workspace = bench.workspace
    teams = "".join(f"T{n:02},Team {n},S01,S02,yes\n" for n in range(1, 5))
    (workspace.folder / "lists" / "teams.csv").write_text("code,label,budder,wrapper,active\n" + teams)
    anything(bench, random.Random(seed))
    bench.write()
    run.import_files(workspace, [workspace.inbox], dt.date(2026, 9, 1))
    with looked_at(workspace) as store:
        write_report(store, workspace)
        assert store.rows("SELECT * FROM standing WHERE estimate < 0 OR low > estimate OR high < estimate") == []
        assert store.rows("SELECT * FROM counts WHERE p_wrong NOT BETWEEN 0 AND 1 OR expected_low > expected_high") == []
        assert store.rows("SELECT * FROM discrepancies WHERE confidence NOT BETWEEN 0 AND 1 OR advice IS NULL") == []
        assert store.rows("SELECT * FROM survival WHERE survival NOT BETWEEN 0 AND 1 OR low > high OR isnan(low)") == []
        ladder = store.value("SELECT sum(lost) + sum(despatched) + sum(in_the_books) FROM ladder")
        assert ladder == store.value("SELECT coalesce(sum(quantity), 0) FROM movements WHERE kind = 'opened'")
