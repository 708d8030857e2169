"""Traces of nurseries whose plants are known one by one: nothing is missed, and every number holds the truth."""

from __future__ import annotations

import datetime as dt
import json
import os
import random
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from formpack.group_code import shown
from pipeline import run
from pipeline.office import trace as office
from pipeline.office.trace import Trace
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, CULLS, Bench
from tests.cli.test_cli import formpack
from tests.conftest import looked_at, new_workspace, table

SEEDS, BATCHES, TEAMS, ORDERS = ("L1", "L2"), ("B1", "B2", "B3"), ("T02", "T04"), ("O1", "O2", "O3")
LAST = dt.date(2026, 10, 1)


@pytest.fixture
def nursery(tmp_path: Path) -> Workspace:
    return listed(new_workspace(tmp_path / "nursery"))


def listed(workspace: Workspace) -> Workspace:
    """Several seed lots, batches and orders."""
    lists = {
        "seed_lots": ["code,label,rootstock", *(f"{c},{c},CARRIZO" for c in SEEDS)],
        "budwood_batches": [
            "code,label,scion,source_block,source_tree",
            *(f"{c},{c},TAHITI,A,M{i // 2}" for i, c in enumerate(BATCHES)),
        ],
        "orders": [
            "code,label,consignee,scion,rootstock,quantity,wanted_on",
            *(f"{c},{c},Farm {c},TAHITI,CARRIZO,500,2026-09-01" for c in ORDERS),
        ],
    }
    for name, rows in lists.items():
        (workspace.lists / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return workspace


@dataclass
class Plant:
    """What a plant has in truth."""

    marks: set[tuple[str, str]] = field(default_factory=set)
    at: tuple[str, str] = ("group", "")
    lot: tuple[int, str, int] | None = None
    """The group, team and attempt of its last bud, while that was not read."""


class Told:
    """A nursery that writes down what is done with plants that it knows one by one."""

    def __init__(self, workspace: Workspace, seed: int, with_times: bool = True) -> None:
        self.bench, self.draw, self.plants = Bench(workspace), random.Random(seed), list[Plant]()
        self.day, self.minute, self.with_times = dt.date(2026, 2, 2), 0, with_times

    def in_group(self, group: int) -> list[Plant]:
        return [p for p in self.plants if p.at == ("group", CODES[group])]

    def note(self, form: str, group: int, **answers: object) -> None:
        self.minute += 1
        at = f"{8 + self.minute // 60:02}:{self.minute % 60:02}"
        self.bench.note(form, f"{self.day:%m-%d}", group, at, **answers)
        if not self.with_times:
            self.bench.rows[form][-1]["end"] = ""

    def open(self, group: int, n: int) -> None:
        lot = self.draw.choice(SEEDS)
        seed = {"seed_lot": lot, "rootstock": "CARRIZO", "sow_date": "2025-12-01"}
        none = dict.fromkeys(CULLS.split(","), 0)
        self.note("open_group", group, **seed, lifted=n, planted=n, location="H1", **none)
        for _ in range(n):
            self.plants.append(Plant({("seed_lot", lot)}))
            self._moved(self.plants[-1:], group)

    def _moved(self, some: list[Plant], group: int) -> None:
        for p in some:
            p.at = ("group", CODES[group])
            p.marks.add(p.at)

    def bud(self, group: int, n: int, attempt: int) -> None:
        team, batch = self.draw.choice(TEAMS), self.draw.choice(BATCHES)
        free = [p for p in self.in_group(group) if not (p.lot and p.lot[0] == group and p.lot[2] == attempt)]
        some = self.draw.sample(free, min(n, len(free)))
        if some:
            what = {"team_code": team, "attempt": attempt, "scion": "TAHITI", "budwood_batch": batch}
            self.note("budding", group, **what, buds_set=len(some), passed_over=0, recount="yes")
            for p in some:
                p.marks |= {("batch", batch), ("team", team)}
                p.lot = (group, team, attempt)

    def read(self, group: int, to: int) -> None:
        lots = Counter(p.lot for p in self.in_group(group) if p.lot and p.lot[0] == group)
        for (_, team, attempt), n in sorted((k, v) for k, v in lots.items() if k):
            mine = [p for p in self.in_group(group) if p.lot == (group, team, attempt)]
            failed = self.draw.sample(mine, self.draw.randint(1, max(1, n // 4)))
            counts = {"green": n - len(failed), "brown": len(failed), "unsure": 0, "missing": 0}
            aside = {"brown_moved": "yes", "set_aside_to": CODES[to]}
            self.note("bud_take", group, team_code=team, attempt=attempt, **counts, recount="yes", **aside)
            for p in mine:
                p.lot = None
            self._moved(failed, to)

    def move(self, group: int, to: int, n: int) -> None:
        some = self.draw.sample(self.in_group(group), n)
        self.note("transfer", group, to_group=CODES[to], moved=n, transfer_reason="regrade", recount="yes")
        self._moved(some, to)
        for p in some:
            p.lot = None

    def send(self, group: int, n: int) -> None:
        order = self.draw.choice(ORDERS)
        self.note("despatch", group, despatched=n, order_ref=order, consignee=f"Farm {order}", recount="yes")
        for p in self.draw.sample(self.in_group(group), n):
            p.at = ("order", order)

    def lose(self, group: int, n: int) -> None:
        self.note("loss", group, lost=n, loss_cause="frost", recount="yes")
        for p in self.draw.sample(self.in_group(group), n):
            p.at = ("gone", "")

    def live(self, days: int) -> None:
        """Some things a day, each of which is written down as it was."""
        for group in range(3):
            self.open(group, self.draw.randint(60, 140))
        for _ in range(days):
            self.day += dt.timedelta(days=1)
            self.minute = 0
            for _ in range(self.draw.randint(1, 3)):
                group, to = self.draw.sample(range(6), 2)
                here = len(self.in_group(group))
                if here < 4:
                    continue
                n = self.draw.randint(1, here - 1)
                what = self.draw.choice(["move", "move", "bud", "bud", "read", "send", "lose"])
                if what == "move":
                    self.move(group, to, n if self.draw.random() < 0.7 else here)
                elif what == "bud":
                    self.bud(group, n, self.draw.choice([1, 1, 2]))
                elif what == "read":
                    self.read(group, to)
                elif what == "send":
                    self.send(group, max(1, n // 3))
                else:
                    self.lose(group, max(1, n // 4))

    def truth(self, mark: tuple[str, str]) -> Counter[tuple[str, str]]:
        """Where the plants with a mark are."""
        return Counter(p.at for p in self.plants if mark in p.marks)


def traced(workspace: Workspace, kind: str, code: str) -> Trace:
    with looked_at(workspace, office.TABLES) as store:
        return office.trace(store, kind, code)


def holds_truth(told: Told, found: Trace, kind: str, code: str) -> None:
    truth = told.truth((kind, code))
    f = found.forwards
    assert f is not None
    groups = {g.group: g for g in f.groups}
    for group in CODES[:6]:
        n = truth["group", group]
        assert n == 0 or group in groups, (kind, code, group)
        if group in groups:  # nothing vanished, so the book stands
            g = groups[group]
            assert g.here.low <= n <= g.here.high, (kind, code, group, n, g.here)
    sent = {s.order_ref: s for s in f.sent}
    for order in ORDERS:
        n = truth["order", order]
        assert n == 0 or order in sent, (kind, code, order)
        if order in sent:
            assert sent[order].part.low <= n <= sent[order].part.high, (kind, code, order, n, sent[order].part)
            assert sent[order].consignee == f"Farm {order}"
    assert f.ever.low <= sum((kind, code) in p.marks for p in told.plants) <= f.ever.high
    standing = sum(n for (what, _), n in truth.items() if what == "group")
    assert f.standing.low <= standing <= f.standing.high
    despatched = sum(n for (what, _), n in truth.items() if what == "order")
    assert f.despatched.low <= despatched <= f.despatched.high


@pytest.mark.parametrize("seed", range(3) if os.environ.get("CI") else [2])
def test_every_plant_is_where_the_trace_says(seed: int, nursery: Workspace) -> None:
    """Forwards from every seed lot, batch, team and group, and backwards from every order."""
    told = Told(nursery, seed, with_times=seed % 3 != 2)
    told.live(24)
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST, is_sure=True)
    assert table(nursery, "submissions", "DISTINCT state") == [("accepted",)], table(nursery, "problems", "rule, message")
    for kind, codes in (("seed_lot", SEEDS), ("batch", BATCHES), ("team", TEAMS), ("group", CODES[:6])):
        for code in codes:
            if told.truth((kind, code)) or kind != "group":
                found = traced(nursery, kind, code)
                holds_truth(told, found, kind, code)
                assert found.is_exact and not found.kept_out
    for order in ORDERS:
        mine = [p for p in told.plants if p.at == ("order", order)]
        back = traced(nursery, "order", order).backwards
        assert back is not None and back.plants == len(mine) == sum(part.trees for part in back.left)
        parts = {(s.kind, s.code): s.part for s in back.sources}
        for kind, codes in (("seed_lot", SEEDS), ("batch", BATCHES), ("team", TEAMS)):
            for code in codes:
                n = sum((kind, code) in p.marks for p in mine)
                part = parts.get((kind, code))
                assert (part is not None and part.low <= n <= part.high) or n == 0, (order, code, n, part)
        assert {g for p in mine for what, g in p.marks if what == "group"} <= set(back.through)


def test_a_bad_batch_is_followed_in_one_command(nursery: Workspace) -> None:
    told = Told(nursery, 1)
    told.open(0, 100)
    told.day += dt.timedelta(days=1)
    told.draw = random.Random(3)
    told.bud(0, 60, 1)
    (batch,) = {code for p in told.plants for kind, code in p.marks if kind == "batch"}
    told.move(0, 1, 50)
    told.send(1, 20)
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    said = formpack("trace", "--batch", batch, cwd=nursery.folder)
    assert f"60 buds of batch {batch} were set in 1 group, the first on 3 February 2026; 60 plants had one." in said
    assert shown(CODES[0]) in said and shown(CODES[1]) in said and "Farm O" in said
    # of 50 that were moved at least 10 had a bud; of 20 sent on nobody knows
    found = traced(nursery, "batch", batch).forwards
    assert found is not None and [(a, b, n, p.low, p.high) for a, b, n, p in found.flows] == [(*CODES[:2], 50, 10, 50)]
    assert (found.despatched.low, found.despatched.high) == (0, 20)
    assert 30 < found.standing.low <= 40 and found.standing.high == 60  # some may have vanished since
    page = nursery.folder / "page.html"
    formpack("trace", "--batch", batch, "--to", str(page), cwd=nursery.folder)
    text = page.read_text(encoding="utf-8")
    assert "<svg" in text and shown(CODES[1]) in text and "Where it went" in text
    document = json.loads(formpack("trace", "--batch", batch, "--json", cwd=nursery.folder))
    assert [g["group"] for g in document["forwards"]["groups"]] == CODES[:2]
    other = next(b for b in BATCHES if b != batch)
    assert f"No buds of batch {other} have been set" in formpack("trace", "--batch", other, cwd=nursery.folder)


def test_what_no_record_settles_is_named(nursery: Workspace) -> None:
    """A record with a wrong code of its group, buds without a batch, and a code that nobody knows."""
    told = Told(nursery, 1)
    told.open(0, 100)
    told.bench.write()
    what = {"team_code": "T02", "attempt": 1, "scion": "TAHITI", "budwood_batch": "B1"}
    told.bench.note("budding", "05-01", 0, **what, buds_set=40, passed_over=0, recount="yes")
    told.bench.note("budding", "05-01", 7, **what, buds_set=30, passed_over=0, recount="yes")
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    found = traced(nursery, "batch", "B1")
    assert [(k.group, k.state, k.why) for k in found.kept_out] == [(CODES[7], "waiting", "named")] and found.needs_a_person
    said = formpack("trace", "--batch", "B1", cwd=nursery.folder, code=1)
    assert "1 record about it is not in the books" in said and "names B1" in said and "has no opening in the books" in said
    assert "Other batches from the same source tree: B2." in said
    for words, named in (
        (["--batch", "B9"], "lists/budwood_batches.csv"),
        (["--order", "O1O"], "--order O1O is not in lists/orders.csv; O1?"),
        (["--group", shown(CODES[0])[:-1] + "0"], "is no code of a group"),
        (["--group", CODES[5]], "There is no group"),
        ([], "Say what to follow"),
        (["--batch", "B1", "--order", "O1"], "Say what to follow"),
    ):
        refused = formpack("trace", *words, cwd=nursery.folder, code=2)
        assert named in refused and refused.count("\n") == 1, refused
    assert "Nothing has left for order O1 yet." in formpack("trace", "--order", "O1", cwd=nursery.folder)


def test_two_things_of_one_day_without_a_time_may_have_been_either_way_round(nursery: Workspace) -> None:
    """Plants left a group on the day on which others were budded there: none or all that left may have had a bud."""
    told = Told(nursery, 1, with_times=False)
    told.open(0, 100)
    told.day += dt.timedelta(days=30)
    what = {"team_code": "T02", "attempt": 1, "scion": "TAHITI", "budwood_batch": "B1"}
    told.note("budding", 0, **what, buds_set=60, passed_over=0, recount="yes")
    told.move(0, 1, 30)
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    found = traced(nursery, "batch", "B1").forwards
    assert found is not None
    assert [(p.low, p.high) for *_, p in found.flows] == [(0, 30)]


def test_moves_that_go_round_come_to_an_end(nursery: Workspace) -> None:
    told = Told(nursery, 1)
    told.open(0, 50)
    for a, b in ((0, 1), (1, 2), (2, 0), (0, 1), (1, 0)):
        told.day += dt.timedelta(days=1)
        told.move(a, b, 20)
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    holds_truth(told, traced(nursery, "group", CODES[1]), "group", CODES[1])
    back = traced(nursery, "group", CODES[0]).backwards
    assert back is not None and back.plants == 50 and {s.part.high for s in back.sources} == {50}


def test_what_left_before_it_came_may_have_been_of_it(nursery: Workspace) -> None:
    """A group below zero that took plants in later, under a wrong day perhaps: its customer is named, at least none of it."""
    told = Told(nursery, 1)
    told.draw = random.Random(0)
    told.open(0, 100)
    told.open(2, 10)
    lot = next(code for kind, code in told.plants[0].marks if kind == "seed_lot")
    told.bench.note("despatch", "02-10", 2, despatched=30, order_ref="O1", consignee="Farm 1", recount="yes")
    told.day = dt.date(2026, 2, 12)
    told.move(0, 2, 40)
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    found = traced(nursery, "group", CODES[0])
    f = found.forwards
    assert f is not None and [(s.order_ref, s.consignee, s.part.low, s.part.high) for s in f.sent] == [("O1", "Farm 1", 0, 20)]
    assert found.needs_a_person and {g.group: g.unknown for g in f.groups}[CODES[2]] == 20
    said = formpack("trace", "--seed-lot", lot, cwd=nursery.folder, code=1)
    assert f"20 plants more left {shown(CODES[2])}" in said and "Farm 1" in said
    assert "At most 20 of them are of no known origin" in formpack("trace", "--order", "O1", cwd=nursery.folder, code=1)


def test_records_that_are_kept_out_are_followed_as_leads(nursery: Workspace) -> None:
    """A budding and a move by a person who is not listed; behind them a group and a customer whom the books do name."""
    told = Told(nursery, 1)
    for group in (0, 7):
        told.open(group, 100)
    what = {"team_code": "T02", "attempt": 1, "scion": "TAHITI", "passed_over": 0, "recount": "yes"}
    told.bench.note("budding", "03-01", 7, who="S77", **what, budwood_batch="B2", buds_set=90)
    told.day = dt.date(2026, 3, 10)
    told.move(7, 3, 50)
    told.send(3, 30)
    (order,) = {p.at[1] for p in told.plants if p.at[0] == "order"}
    told.bench.note("budding", "03-01", 0, **what, budwood_batch="B1", buds_set=90)
    moved = {"to_group": CODES[5], "moved": 40, "transfer_reason": "split", "recount": "yes"}
    told.bench.note("transfer", "03-12", 0, who="S77", **moved)
    told.bench.note("despatch", "03-20", 5, despatched=30, order_ref="O3", consignee="Farm 3", recount="yes")
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    found = traced(nursery, "batch", "B2")
    assert found.forwards is not None and not found.forwards.groups
    leads = {p.group: (p.why, p.from_group, p.sent) for p in found.forwards.perhaps}
    assert leads == {CODES[7]: ("begun", "", ()), CODES[3]: ("from", CODES[7], ((order, f"Farm {order}", 30),))}
    other = traced(nursery, "batch", "B1")
    assert other.forwards is not None and [(p.group, p.why) for p in other.forwards.perhaps] == [(CODES[5], "kept_out")]
    assert [k.form_id for k in other.kept_out] == ["transfer", "despatch"]
    assert "Farm" in formpack("trace", "--batch", "B2", cwd=nursery.folder, code=1)
    # backwards too, where both ways are asked for
    assert [k.form_id for k in traced(nursery, "group", CODES[3]).kept_out] == ["budding"]


def test_things_without_a_time_are_bound_by_what_each_move_carried(nursery: Workspace) -> None:
    told = Told(nursery, 1, with_times=False)
    told.open(0, 100)
    told.open(1, 100)
    told.day += dt.timedelta(days=30)
    told.move(0, 2, 50)
    told.move(1, 2, 10)
    told.send(2, 20)
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    f = traced(nursery, "group", CODES[1]).forwards
    assert f is not None and (f.despatched.low, f.despatched.high) == (0, 10)
    assert {g.group: g.here.high for g in f.groups}[CODES[2]] == 10
    first = traced(nursery, "group", CODES[0]).forwards
    assert first is not None and (first.despatched.low, first.despatched.high) == (10, 20)


def test_a_page_is_written_to_a_page_alone(nursery: Workspace) -> None:
    """Not over the store, a list or anything else."""
    told = Told(nursery, 1)
    told.open(0, 100)
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)
    for name in ("store.duckdb", "lists/orders.csv", "nursery.toml", "page"):
        assert "must end in .html" in formpack("trace", "--group", CODES[0], "--to", name, cwd=nursery.folder, code=2)
    formpack("check", cwd=nursery.folder)


BUDDED = {"attempt": 1, "scion": "TAHITI", "passed_over": 0, "recount": "yes", "team_code": "T02"}
SPLIT = {"transfer_reason": "regrade", "recount": "yes"}


def _take_in(nursery: Workspace, told: Told) -> None:
    told.bench.write()
    run.import_files(nursery, [nursery.inbox], LAST)


def _sent(nursery: Workspace, kind: str, code: str) -> list[tuple[str | None, int, int]]:
    f = traced(nursery, kind, code).forwards
    assert f is not None
    return [(s.order_ref, s.part.low, s.part.high) for s in f.sent]


def test_a_group_that_is_emptied_on_a_day_without_times_is_seen(nursery: Workspace) -> None:
    told = Told(nursery, 1, with_times=False)
    told.open(0, 100)
    told.day += dt.timedelta(days=9)
    told.move(0, 1, 30)
    told.note("despatch", 1, despatched=30, order_ref="O3", consignee="Farm O3", recount="yes")
    _take_in(nursery, told)
    assert _sent(nursery, "group", CODES[0]) == [("O3", 30, 30)]


def test_moved_in_and_budded_again_on_a_day_without_times_counts_once(nursery: Workspace) -> None:
    told = Told(nursery, 1, with_times=False)
    told.open(0, 100)
    told.day += dt.timedelta(days=9)
    told.note("budding", 0, **BUDDED, budwood_batch="B1", buds_set=100)
    told.day += dt.timedelta(days=30)
    told.move(0, 1, 50)
    told.note("budding", 1, **BUDDED | {"attempt": 2}, budwood_batch="B1", buds_set=50)
    _take_in(nursery, told)
    f = traced(nursery, "batch", "B1").forwards
    assert f is not None and (f.ever.low, f.ever.high) == (100, 100) and not any(g.unknown for g in f.groups)


def test_a_lot_that_came_unread_is_read_with_another(nursery: Workspace) -> None:
    """Buds of one team and attempt of two batches stand in one group; failed ones may be of either."""
    told = Told(nursery, 1)
    for group in (0, 1):
        told.open(group, 50)
    told.day += dt.timedelta(days=9)
    for group, batch in ((0, "B1"), (1, "B2")):
        told.note("budding", group, **BUDDED, budwood_batch=batch, buds_set=50)
    told.day += dt.timedelta(days=1)
    told.move(1, 0, 50)
    told.day += dt.timedelta(days=25)
    aside = {"brown_moved": "yes", "set_aside_to": CODES[2]}
    told.note("bud_take", 0, team_code="T02", attempt=1, green=30, brown=20, unsure=0, missing=0, recount="yes", **aside)
    told.day += dt.timedelta(days=1)
    told.note("despatch", 2, despatched=20, order_ref="O1", consignee="Farm O1", recount="yes")
    _take_in(nursery, told)
    assert _sent(nursery, "batch", "B1") == [("O1", 0, 20)]


def test_who_got_of_it_before_the_books_say_is_a_lead(nursery: Workspace) -> None:
    """A move that is kept out came before the one in the books."""
    told = Told(nursery, 1)
    for group in (0, 1):
        told.open(group, 100)
    told.bench.note("transfer", "03-01", 0, who="S77", to_group=CODES[1], moved=30, **SPLIT)
    told.bench.note("despatch", "03-20", 1, despatched=20, order_ref="O1", consignee="Farm O1", recount="yes")
    told.bench.note("transfer", "04-01", 0, to_group=CODES[1], moved=10, **SPLIT)
    _take_in(nursery, told)
    f = traced(nursery, "group", CODES[0]).forwards
    assert f is not None and [(p.group, p.why, p.sent) for p in f.perhaps] == [(CODES[1], "kept_out", (("O1", "Farm O1", 20),))]


def test_two_moves_of_one_moment_may_have_been_either_way_round(nursery: Workspace) -> None:
    told = Told(nursery, 1)
    for group in (0, 1):
        told.open(group, 30)
    for a, b in ((1, 0), (0, 2)):
        told.bench.note("transfer", "03-01", a, "10:00", to_group=CODES[b], moved=30, **SPLIT)
    told.bench.note("despatch", "03-05", 2, despatched=30, order_ref="O1", consignee="Farm O1", recount="yes")
    _take_in(nursery, told)
    assert _sent(nursery, "group", CODES[1]) == [("O1", 0, 30)]
