"""Incidence against scipy's exact test, the upper limit of none by its formula; what the phone tells of places; places that are
not to be entered."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable

import pytest
from scipy.stats import binomtest, hypergeom

from formpack import shipped
from formpack.group_code import issue
from pipeline import run
from pipeline.field import phone
from pipeline.formulas.overdispersion import Moments
from pipeline.formulas.proportions import exact
from pipeline.rates.scouting import seen
from pipeline.settings import Scouting
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import SAMPLES, table

SAID = SAMPLES / "none_found_among_few_and_a_place_that_is_not_to_be_entered" / "inbox"


@pytest.mark.parametrize(("affected", "examined"), [(1, 1), (2, 40), (17, 300), (299, 300)])
def test_the_interval_of_one_walk_is_exact(affected: int, examined: int) -> None:
    found = seen([(examined, affected, None)], Moments(0.3, 20), Scouting())
    wanted = binomtest(affected, examined).proportion_ci(method="exact")
    assert (found.low, found.high) == pytest.approx((wanted.low, wanted.high), abs=1e-9)
    assert found.rate == affected / examined and found.deff == 1


def test_none_found_is_a_limit_and_never_zero() -> None:
    """J. A. Hanley & A. Lippman-Hand, JAMA 249 (1983) 1743-1745: about 3 / n."""
    found = seen([(300, 0, None)], Moments(0.0, 0), Scouting())
    assert (found.rate, found.low) == (None, None) and found.high == pytest.approx(1 - 0.05 ** (1 / 300))
    assert found.high == pytest.approx(3 / 300, rel=0.01) and found.would_find == pytest.approx(found.high)


def test_walks_that_differ_say_less_together() -> None:
    """rho 0.1 and walks of 100: 1 + 99 * 0.1 times the variance, and Student's t for the normal quantile."""
    walks: list[tuple[int, int, int | None]] = [(100, n, 5000) for n in (0, 20, 4, 0)]
    alike, apart = (seen(walks, Moments(rho, 1000), Scouting()) for rho in (0.0, 0.1))
    assert alike.deff == 1 and apart.deff == pytest.approx(10.9)
    assert alike.low is not None and apart.low is not None and apart.low < alike.low < alike.high < apart.high
    assert apart.high == pytest.approx(exact(0.06 * 400 / 10.9, 400 / 10.9)[1], rel=0.01)
    assert alike.would_find == pytest.approx(1 - 0.05 ** (1 / 400)), "of several walks by the binomial"


def _opened() -> str:
    """A group of 960 plants at H1B1."""
    names = "visit_date,staff_code,group_code,seed_lot,rootstock,sow_date,lifted,cull_off_type,cull_bent_root,cull_etiolated"
    said = f"2026-03-02,S03,{issue(2026, 950, 1)[0]},L2601-CARR,CARRIZO,2025-12-01,1000,40,0,0"
    return f"{names},cull_weak,cull_other,planted,location\n{said},0,0,960,H1B1\n"


def test_the_phone_says_how_many_to_examine_and_where_nobody_goes(
    workspace: Workspace, take_in: Callable[..., run.Imported]
) -> None:
    take_in({"open_group.csv": _opened(), **{p.name: p.read_bytes() for p in SAID.iterdir()}})
    with run.opened(workspace, phone.TABLES) as (store, _):
        phone.write_lists(store, workspace)
        plants = store.value("SELECT estimate FROM standing")
    with (workspace.phone / "locations.csv").open(encoding="utf-8", newline="") as file:
        told = {row["code"]: row for row in csv.DictReader(file)}
    for place in ("H1", "H1B1"):  # a house with what is part of it
        assert (told[place]["plants"], told[place]["find_share"], told[place]["find_sure"]) == (str(plants), "1", "95")
        n = int(told[place]["to_examine"])
        assert hypergeom.pmf(0, plants, 9, n) <= 0.05 < hypergeom.pmf(0, plants, 9, n - 1), "1 % of 960, rounded down"
        words = "House 1 bench 1 not to be entered until 3 Nov 2026 07:45, as was taken from the label of the treatment"
        assert told[place]["due_today"].startswith(words)
    assert told["Y1"]["plants"] == told["Y1"]["due_today"] == "", "its last treatment is over, or says no time at all"
    groups = (workspace.phone / "groups.csv").read_text(encoding="utf-8")
    assert "not_to_be_entered_until_3_Nov_2026_07:45" in groups, "a group's own forms say it too"
    said = formpack("due", cwd=workspace.folder)
    assert said.startswith("House 1 bench 1: not to be entered until 3 Nov 2026 07:45") and "label itself" in said
    (closed,) = json.loads(formpack("due", "--place", "H1", "--json", cwd=workspace.folder))["not_to_be_entered"]
    assert (closed["place"], closed["until_on"], closed["until_at"]) == ("H1B1", "2026-11-03", "07:45")
    assert "entered" not in formpack("due", "--place", "Y1", cwd=workspace.folder)
    assert "entered" not in formpack("due", "--as-of", "2026-11-04", cwd=workspace.folder)


def test_a_treatment_that_is_kept_out_closes_its_place_all_the_same(
    workspace: Workspace, take_in: Callable[..., run.Imported]
) -> None:
    text = (SAID / "treatment.csv").read_text(encoding="utf-8").replace(",P01,", ",P77,")
    take_in({"treatment.csv": text})
    assert table(workspace, "treatments", "state", "location = 'H1B1'") == [("quarantined",)]
    assert "House 1 bench 1: not to be entered until 3 Nov 2026 07:45" in formpack("due", cwd=workspace.folder)


def test_a_treatment_that_does_not_say_until_when_is_told_too(
    workspace: Workspace, take_in: Callable[..., run.Imported]
) -> None:
    """It is kept out, and nothing says that the place may be entered; after thirty days its sign is what is left."""
    text = (SAID / "treatment.csv").read_text(encoding="utf-8").replace(",2026-11-03,07:45", ",3 maybe,")
    take_in({"open_group.csv": _opened(), "treatment.csv": text})
    assert table(workspace, "treatments", "state, reentry_on", "location = 'H1B1'") == [("quarantined", None)]
    words = "House 1 bench 1: treated on 2 Nov 2026; until when nobody goes in cannot be read from its record."
    assert words in formpack("due", cwd=workspace.folder)
    (closed, *_) = json.loads(formpack("due", "--json", cwd=workspace.folder))["not_to_be_entered"]
    assert (closed["place"], closed["until_on"]) == ("H1B1", None)
    with run.opened(workspace, phone.TABLES) as (store, _):
        phone.write_lists(store, workspace)
    assert "look at the label before you go in" in (workspace.phone / "locations.csv").read_text(encoding="utf-8")
    assert words not in formpack("due", "--as-of", "2026-12-02", cwd=workspace.folder)


def test_a_time_sooner_than_the_list_has_is_said(workspace: Workspace, take_in: Callable[..., run.Imported]) -> None:
    """P01 has 24 hours: a treatment that ended at 07:45 on 2 November is open again at 07:45 on the 3rd, not before."""
    text = (SAID / "treatment.csv").read_text(encoding="utf-8")
    sooner = text.replace("000000000007", "000000000077").replace("2026-11-03,07:45", "2026-11-03,07:44").splitlines()
    take_in({"treatment.csv": text})
    (workspace.inbox / "treatment_2.csv").write_text("\n".join(sooner[:2]) + "\n", encoding="utf-8")
    take_in({})
    found = table(workspace, "problems", "instance_id, message", "rule = 'reentry_shorter'")
    said = "Nobody goes in until 2026-11-03 07:44, which is sooner than the hours of Product P01 in lists/products.csv."
    assert found == [("uuid:00000000-0000-4000-8000-000000000077", said)]


def test_a_form_of_one_s_own_may_not_ask_until_when(workspace: Workspace, take_in: Callable[..., run.Imported]) -> None:
    own = workspace.folder / "forms" / "treatment"
    shutil.copytree(shipped("forms") / "treatment", own)
    lines = (own / "survey.csv").read_text(encoding="utf-8").splitlines()
    gone = [line for line in lines if "reentry" in line.split(",")[1]]
    (own / "survey.csv").write_text("\n".join(line for line in lines if line not in gone) + "\n", encoding="utf-8")
    head, *rows = csv.reader((SAID / "treatment.csv").read_text(encoding="utf-8").splitlines())
    kept = [i for i, name in enumerate(head) if "reentry" not in name]
    told = [",".join(row[i] for i in kept) for row in (head, *rows)]
    take_in({"open_group.csv": _opened(), "treatment.csv": "\n".join(told) + "\n"})
    assert len(gone) == 3 and ("accepted", None) in table(workspace, "treatments", "state, reentry_on")
    formpack("report", cwd=workspace.folder, code=1)
    formpack("report", "--for-inspection", "--unchecked", cwd=workspace.folder, code=1)
