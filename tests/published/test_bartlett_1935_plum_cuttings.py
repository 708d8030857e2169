"""M. S. Bartlett, JRSS Supplement 2 (1935) 248-252: plum root-stock cuttings, 240 a cell, alive at the end:
long at once 156, long in spring 84, short at once 107, short in spring 31. Written here as four lots of buds by
four teams, from submission to table. The Wilson limits are checked against statsmodels; the two lots of a cell differ much
(156 and 84; 107 and 31), and their correlation is worked out by hand.
"""

from __future__ import annotations

import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from formpack.group_code import issue
from pipeline.workspace import Workspace
from tests.conftest import table

ALIVE = {("T02", 1): 156, ("T04", 1): 84, ("T02", 2): 107, ("T04", 2): 31}
CELL = 240
BETWEEN = 2 * 240 * (0.15**2 + (38 / 240) ** 2) / 2
WITHIN = sum(y * (1 - y / 240) for y in ALIVE.values()) / (960 - 4)
RHO = (BETWEEN - WITHIN) / (BETWEEN + 239 * WITHIN)
"""Means of the two cells are 120 and 69 of 240; each lot is 36 and 38 buds off."""


def test_the_pipeline_pools_the_four_cells(workspace: Workspace, take_in) -> None:  # type: ignore[no-untyped-def]
    files: dict[str, str] = {
        "open_group.csv": "KEY,visit_date,staff_code,group_code,seed_lot,rootstock,sow_date,lifted,"
        "cull_off_type,cull_bent_root,cull_etiolated,cull_weak,cull_other,planted,location\n"
    }
    files["budding.csv"] = "KEY,visit_date,staff_code,group_code,team_code,attempt,scion,budwood_batch,buds_set,passed_over\n"
    files["bud_take.csv"] = "KEY,visit_date,staff_code,group_code,team_code,attempt,green,brown,unsure,missing\n"
    for code, (lot, alive) in zip(issue(2026, 1, 4), ALIVE.items(), strict=True):
        team, attempt = lot
        files["open_group.csv"] += f"o{code},2026-02-01,S01,{code},L2601-CARR,CARRIZO,2025-11-01,240,0,0,0,0,0,240,H1\n"
        files["budding.csv"] += f"b{code},2026-06-01,S01,{code},{team},{attempt},TAHITI,B-TAH,240,0\n"
        files["bud_take.csv"] += f"t{code},2026-06-22,S01,{code},{team},{attempt},{alive},{CELL - alive},0,0\n"
    done = take_in(files)
    assert done.states["accepted"] == 12
    rates = {
        (by, level): rest
        for by, level, *rest in table(workspace, "take_rates", '"by", level, lots, buds_set, read, taken, take_rate, low, high')
    }
    expected = {
        ("all", "all"): (4, 378, 960),
        ("team", "T02"): (2, 263, 480),
        ("team", "T04"): (2, 115, 480),
        ("attempt", "1"): (2, 240, 480),
        ("attempt", "2"): (2, 138, 480),
        ("month", "2026-06"): (4, 378, 960),
        ("rootstock+scion", "CARRIZO+TAHITI"): (4, 378, 960),
    }
    deffs = {(by, level): rest for by, level, *rest in table(workspace, "take_rates", '"by", level, deff')}
    for key, (lots, alive, read) in expected.items():
        found_lots, _, found_read, taken, rate, low, high = rates[key]
        assert (found_lots, taken, found_read) == (lots, alive, read)
        assert rate == alive / read
        # Wilson's interval on the effective size, with t where rho rests on two degrees of freedom (four lots, two cells)
        (deff,) = deffs[key]
        assert deff == pytest.approx(1 + RHO * (CELL - 1))
        quantile = float(stats.t.ppf(0.975, 4))
        size = read / deff
        wanted = proportion_confint(alive * size / read, size, alpha=2 * float(stats.norm.sf(quantile)), method="wilson")
        assert (low, high) == pytest.approx(wanted, abs=1e-12)
        plain = proportion_confint(alive, read, method="wilson")
        assert low < plain[0] and plain[1] < high
