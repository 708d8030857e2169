"""R. Mead, R. N. Curnow & A. M. Hasted, Statistical Methods in Agriculture and Experimental Biology (2002) p. 350: seeds
germinated of 50, four temperatures by four concentrations, four replicates. Written as lots: temperature is the rootstock,
concentration the scion, a replicate a group of 50 buds. The deviances that the agridat help prints (1193.80, 430.11, 980.10,
148.11, 55.64) must come out of the table of lots, and the pooled takes out of take_rates.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from formpack.group_code import issue
from pipeline.workspace import Workspace
from tests.conftest import table

GERMINATED = {
    ("C35", 0): "9 9 3 7",
    ("C35", 1): "13 12 14 15",
    ("C35", 2): "21 23 24 27",
    ("C35", 3): "40 32 43 34",
    ("CARRIZO", 0): "19 30 21 29",
    ("CARRIZO", 1): "33 32 30 26",
    ("CARRIZO", 2): "43 40 37 41",
    ("CARRIZO", 3): "48 48 49 48",
    ("CLEO", 0): "7 7 2 5",
    ("CLEO", 1): "1 2 4 4",
    ("CLEO", 2): "8 10 6 7",
    ("CLEO", 3): "3 4 8 5",
    ("ROUGH", 0): "4 9 3 7",
    ("ROUGH", 1): "13 6 15 7",
    ("ROUGH", 2): "16 13 18 19",
    ("ROUGH", 3): "13 18 11 16",
}
SCIONS = ("TAHITI", "MURCOTT", "PERA", "LISBON")


@pytest.fixture
def taken_in(workspace: Workspace, take_in) -> Workspace:  # type: ignore[no-untyped-def]
    lists = workspace.folder / "lists"
    stocks = sorted({stock for stock, _ in GERMINATED})
    (lists / "seed_lots.csv").write_text("code,label,rootstock\n" + "".join(f"L{s},Lot,{s}\n" for s in stocks))
    (lists / "budwood_batches.csv").write_text("code,label,scion\n" + "".join(f"B{s},Batch,{s}\n" for s in SCIONS))
    files = {
        "open_group.csv": "KEY,visit_date,staff_code,group_code,seed_lot,rootstock,sow_date,lifted,"
        "cull_off_type,cull_bent_root,cull_etiolated,cull_weak,cull_other,planted,location\n",
        "budding.csv": "KEY,visit_date,staff_code,group_code,team_code,attempt,scion,budwood_batch,buds_set,passed_over\n",
        "bud_take.csv": "KEY,visit_date,staff_code,group_code,team_code,attempt,green,brown,unsure,missing\n",
    }
    codes = iter(issue(2026, 1, 64))
    for (stock, scion), replicates in GERMINATED.items():
        for y in map(int, replicates.split()):
            code = next(codes)
            files["open_group.csv"] += f"o{code},2026-02-01,S01,{code},L{stock},{stock},2025-11-01,50,0,0,0,0,0,50,H1\n"
            files["budding.csv"] += f"b{code},2026-06-01,S01,{code},T02,1,{SCIONS[scion]},B{SCIONS[scion]},50,0\n"
            files["bud_take.csv"] += f"t{code},2026-06-22,S01,{code},T02,1,{y},{50 - y},0,0\n"
    done = take_in(files)
    assert done.states["accepted"] == 192
    return workspace


def test_deviances_of_the_lots(taken_in: Workspace) -> None:
    rows = table(taken_in, "lots", "rootstock, scion, green, brown + missing")
    assert len(rows) == 64
    stock, scion = (np.unique([r[i] for r in rows], return_inverse=True)[1] for i in (0, 1))
    counts = np.array([[r[2], r[3]] for r in rows])
    one, a, b = np.ones((64, 1)), np.eye(4)[stock][:, 1:], np.eye(4)[scion][:, 1:]
    both = (a[:, :, None] * b[:, None, :]).reshape(64, -1)
    for design, printed in (
        ([one], 1193.80),
        ([one, a], 430.11),
        ([one, b], 980.10),
        ([one, a, b], 148.11),
        ([one, a, b, both], 55.64),
    ):
        fitted = sm.GLM(counts, np.hstack(design), family=sm.families.Binomial()).fit()
        assert fitted.deviance == pytest.approx(printed, abs=5e-3)


def test_pooled_takes(taken_in: Workspace) -> None:
    found = {
        (by, level): (taken, read, deff)
        for by, level, taken, read, deff in table(taken_in, "take_rates", '"by", level, taken, read, deff')
    }
    total = sum(sum(map(int, r.split())) for r in GERMINATED.values())
    assert found["all", "all"][:2] == (total, 3200)
    for (stock, scion), replicates in GERMINATED.items():
        assert found["rootstock+scion", f"{stock}+{SCIONS[scion]}"][:2] == (sum(map(int, replicates.split())), 200)
    # 55.64 on 48 degrees of freedom: replicates differ little more than chance says
    assert 1.0 < found["all", "all"][2] < 1.4
    ((adjusted, flag),) = table(taken_in, "take_rates", "adjusted, flag", "\"by\" = 'team'")
    assert (adjusted, flag) == (None, "cannot be compared")
