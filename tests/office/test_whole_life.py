"""One group from the litre of seed to the order, by records of every form, through the command: what is told of it, in order
and with the numbers that were sent, and nothing of what was not done to it."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from formpack.group_code import issue, shown
from pipeline import run
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import new_workspace, table

CODE, OTHER = issue(2026, 1, 2)
CULLS = dict.fromkeys("cull_off_type cull_weak cull_disease cull_bud_failed cull_other dead".split(), 0)
CODES = {"sowing_code": "26-A", "seed_lot": "L2601-CARR", "rootstock": "CARRIZO"}
GROUP = {"group_code": CODE}
TREATED = {"product": "P01", "dose": 1.25, "dose_unit": "ml_per_l", "applicator": "S02", "started_at": "07:00"}
TREATED |= {"over_midnight": "", "ended_at": "08:00", "reentry_at": "08:00"}
LOT = {"team_code": "T02", "attempt": 1}


class Sent:
    """Records of all forms, a table a form."""

    def __init__(self) -> None:
        self.tables: dict[str, list[dict[str, Any]]] = {}

    def note(self, form: str, day: str, at: str = "10:00", **answers: Any) -> None:
        rows = self.tables.setdefault(form, [])
        about = {"instanceID": f"uuid:{form}-{len(rows)}", "end": f"2026-{day}T{at}:00.000+02:00", "visit_date": f"2026-{day}"}
        rows.append(about | {"staff_code": "S03"} | answers)

    def treat(self, day: str, place: str, **more: Any) -> None:
        self.note("treatment", day, **TREATED | {"location": place, "reentry_on": f"2026-{day[:3]}28"} | more)

    def write(self, workspace: Workspace) -> None:
        for form, rows in self.tables.items():
            columns = list(dict.fromkeys(c for row in rows for c in row))
            text = [",".join(columns), *(",".join(str(row.get(c, "")) for c in columns) for row in rows)]
            (workspace.inbox / f"{form}.csv").write_text("\n".join(text) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The group stands at H1 bench 1 from 2 March to 20 April, then at Y1 until all of it left on 20 October."""
    workspace, sent = new_workspace(tmp_path_factory.mktemp("whole") / "nursery"), Sent()
    sent.note("sowing", "01-05", **CODES, soak_min=480, trays=10, sown_by="litres", litres=0.25, medium="peat", location="H1")
    sent.note("emergence", "02-06", sowing_code="26-a", trays_read=4, emerged=412, multiple=90)
    sent.note("emergence", "02-20", sowing_code="26-A", trays_read=10, emerged=1100)
    seedlings = dict.fromkeys("cull_off_type cull_bent_root cull_etiolated cull_weak cull_other".split(), 0)
    opened = CODES | {"sow_date": "2026-01-05", "any_out": "yes", **seedlings, "cull_weak": 60}
    sent.note("open_group", "03-02", **GROUP, **opened, lifted=1000, planted=940, location="H1B1")
    sent.treat("03-01", "H1B1", target="APHID")  # before it came
    sent.treat("03-10", "H1", target="SCALE")  # of the whole house
    sent.treat("03-11", "H1B2")  # of the bench beside it
    sent.treat("03-12", "H1B1", product="P02", dose=0.5, ended_at="06:00")  # kept out: ended before it began
    for day, celsius in (("02-28", 35), ("03-05", 25), ("03-15", 31.5), ("03-16", 33), ("05-01", 36)):
        sent.note("structure_climate", day, location="H1", temperature_c=celsius)
    for day, place, ec in (("03-03", "H1B1", 1.4), ("03-20", "H1B1", 1.95), ("04-28", "H1B1", 2.4), ("06-03", "Y1", 1.2)):
        sent.note("feeding", day, location=place, recipe="Growth", ec=ec, ph=6)
    sent.note("weeding", "06-10", location="Y1", people=2, minutes=60)
    sent.note("weeding", "10-28", location="Y1", people=2, minutes=60)  # after it was gone
    sent.note("scouting", "06-12", location="Y1", found_what="APHID", examined=300, affected=7)
    sent.note("scouting", "06-26", location="Y1", found_what="SCALE", examined=300, affected=0)
    sent.note("relocate", "04-20", **GROUP, location="Y1")
    cut = {"source_block": "Block D", "source_tree": "M031", "authorisation": "LW-0099", "buds": 1500, "stored": "room"}
    sent.note("budwood_cut", "06-28", budwood_batch="B-NEW", scion="TAHITI", **cut)
    knives = {"item": "knives", "method": "solution", "team_code": "T02", "between_cultivars": "no", "product": "As labelled"}
    sent.note("sterilise", "07-01", "07:00", **knives, done_at="07:00")
    sent.note("sterilise", "07-01", "09:00", **knives, done_at="09:00")
    sent.note("budding", "07-01", **GROUP, **LOT, scion="TAHITI", budwood_batch="B-NEW", buds_set=900, passed_over=40)
    sent.note("bud_take", "07-25", **GROUP, **LOT, green=850, brown=45, unsure=0, missing=5)
    works = GROUP | CULLS | {"coverage": "whole", "not_ready": 0, "any_out": "yes"}
    sent.note("cut_back", "08-05", **works | {"cut": 850, "cull_bud_failed": 85})
    sent.note("stake", "08-25", **works, staked=850, shoots_removed="no", stakes_treated="no")
    sent.note("top", "09-20", **works | {"topped": 845, "cull_weak": 5})
    left = {"order_ref": "O001", "consignee": "Alder Grove Farm"}
    sent.note("despatch", "10-10", **GROUP, despatched=800, **left)
    sent.note("despatch", "10-20", **GROUP, despatched=45, **left)
    sent.note("open_group", "03-02", "11:00", group_code=OTHER, **opened, lifted=100, planted=40, location="Y1")
    sent.write(workspace)
    states = run.import_files(workspace, [workspace.inbox]).states
    assert states["quarantined"] == 1 and states["accepted"] == sum(states.values()) - 1, table(workspace, "problems")
    return workspace


def told(nursery: Workspace, *words: str) -> str:
    return formpack("history", CODE, *words, cwd=nursery.folder)


LIFE = """
5 Jan 2026 Sow | 26-A: 0.25 litres of seed; 10 trays; at House 1; medium: Peat; soaked for 480 minutes
6 Feb 2026 Count emergence | 412 seedlings in 4 of 10 trays; 90 seeds gave more than one
20 Feb 2026 Count emergence | 1,100 seedlings in 10 of 10 trays
2 Mar 2026 Open a group | 1,000 plants lifted, 940 planted; 60 plants culled: Weak; stands at House 1 bench 1
10 Mar 2026 Treatment | Product P01 (Ingredient A); 1.25 ml per litre; at House 1; against Scale insects; applied by S02
20 Apr 2026 Move a group to another place | moved from House 1 bench 1 to Yard 1
1 Jul 2026 Budding | 900 buds set by T02; cut on 28 June 2026, 3 days before; source block Block D; source tree M031
25 Jul 2026 Bud take | 850 green, 45 brown, 0 unsure, 5 missing
5 Aug 2026 Cut back | 935 plants counted; 85 plants culled: Bud failed; no disinfecting of blades recorded that day
25 Aug 2026 Stake | 850 plants counted
20 Sep 2026 Top | 850 plants counted; 5 plants culled: Weak; no disinfecting of blades recorded that day
10 Oct 2026 Despatch | 800 plants despatched for order O001 to Alder Grove Farm
20 Oct 2026 Despatch | 45 plants despatched for order O001 to Alder Grove Farm
"""
MONTHS = """
House 1 Mar 2026 | Climate of a house: 3 records;;temperature, °C: 2 of 3 readings above 30, up to 33
House 1 bench 1 Mar 2026 | Feeding: 2 records;;EC given, mS/cm: 1 of 2 readings above 1.8, up to 1.95
Yard 1 Jun 2026 | Feeding: 1 record; Scouting: 2 records; Weeding: 1 record; Aphids: 7 of 300 plants; Scale insects: none \
found among 300 plants
"""


def test_every_record_is_told_in_order_and_no_other(nursery: Workspace) -> None:
    said = told(nursery)
    events = said.partition("What happened:\n")[2].partition("\n\n")[0].splitlines()[1:]
    heads = [re.split(r"  +", line) for line in events if not line.startswith(" ")]
    wanted = [re.match(r"(\d+ \w+ \d+) (.*) \| (.*)", line) for line in LIFE.strip().splitlines()]
    assert [(h[0], h[1]) for h in heads] == [(w[1], w[2]) for w in wanted if w]
    texts = re.sub(r"\n {4}", " ", "\n".join(events)).splitlines()
    for text, line in zip(texts, wanted, strict=True):
        assert line
        for part in line[3].split("; "):
            assert part in text, (part, text)
    assert "authorisation LW-0099; 1,500 buds cut; blades disinfected 2 times that day" in texts[6]
    months = said.partition("by month:\n")[2].partition("\nThis shows")[0].splitlines()[1:]
    rows = re.sub(r"(?<=\w)\n {4}(?=found|plants)", " ", "\n".join(months)).replace("\n    ", ";;").split("\n")
    assert [re.sub(r"  +", " ", row).replace(";;", " | ", 1) for row in rows] == MONTHS.strip().splitlines()


def test_what_was_not_done_to_it_is_not_told(nursery: Workspace) -> None:
    """Before it came, after it left, on the bench beside it, and what is kept out of the books."""
    document = json.loads(told(nursery, "--json"))
    treated = [(c["on"], c["says"]["location"]) for c in document["care"] if c["form_id"] == "treatment"]
    assert treated == [("2026-03-10", "H1")]
    assert [(m["month"], m["place"], m["forms"]) for m in document["months"]] == [
        ("2026-03-01", "H1", {"structure_climate": 3}),
        ("2026-03-01", "H1B1", {"feeding": 2}),
        ("2026-06-01", "Y1", {"feeding": 1, "scouting": 2, "weeding": 1}),
    ]
    before = told(nursery, "--as-of", "2026-03-09")
    assert "Sow " in before and "Treatment" not in before and "Mar 2026" in before and "1 of 1 reading" not in before


def test_the_page_tells_the_same(nursery: Workspace) -> None:
    told(nursery, "--to", "life.html")
    page = (nursery.folder / "life.html").read_text(encoding="utf-8")
    for part in ("0.25 litres of seed", "blades disinfected 2 times that day", "2 of 3 readings above 30, up to 33", "M031"):
        assert part in page


def test_a_sowing_is_followed_to_the_order_and_back(nursery: Workspace) -> None:
    """Of 1,100 seedlings 1,100 were lifted into two groups; by hand: 845 left for the order, all of the sowing."""
    out = formpack("trace", "--sowing", "26-a", cwd=nursery.folder, code=None)
    assert "Sowing 26-A: of seed lot L2601-CARR; sown on 5 January 2026; trays: 10; litres of seed: 0.25" in out
    assert "1,100 plants of sowing 26-A were opened in 2 groups, the first on 2 March 2026." in out
    assert shown(CODE) in out and shown(OTHER) in out and re.search(r"O001 +Alder Grove Farm +845 +845 +845 ", out)
    back = json.loads(formpack("trace", "--order", "O001", "--json", cwd=nursery.folder, code=None))["backwards"]["sources"]
    assert [(s["kind"], s["code"], s["part"]["low"], s["part"]["high"]) for s in back[:2]] == [
        ("seed_lot", "L2601-CARR", 845, 845),
        ("sowing", "26-A", 845, 845),
    ]
    assert formpack("trace", "--sowing", "26-b", cwd=nursery.folder, code=2).startswith("No sowing and no opening")
