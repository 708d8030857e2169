"""By hand: `python tests/bench/life_bench.py [NURSERIES]`. Nurseries of our own making, 60 by default, come in as tables of
submissions; what survival, causes, ladder and plan say of them is held against the truth. Their truth is not the models':
groups are frail or strong for life, losses come in clumps, a third of the dead are never written down, counts are now and
then wrong, groups are split, put together and regraded, of unequal sizes, and slow ones wait longer; the day of looking
cuts most lives off.
"""

from __future__ import annotations

import csv
import datetime as dt
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from formpack.group_code import issue  # noqa: E402
from pipeline import run  # noqa: E402
from pipeline.rates import outlook  # noqa: E402
from pipeline.workspace import Workspace, make_workspace  # noqa: E402

START, DAYS, SOWN_BEFORE = dt.date(2024, 1, 8), 760, 60
STAGES = ("tray", "bag", "budded", "read", "cut_back", "staked", "topped")
FRAILTY, CLUMP, UNSEEN, TAKE, TAKE_RHO = 5.0, 3.0, 0.35, 0.9, 0.015
RATES = ((0, 0.0022), (60, 0.0009), (200, 0.0003))
HAZARD = np.cumsum([next(r for start, r in reversed(RATES) if day >= start) for day in range(1500)])
CULLS = {f"cull_{c}": 0 for c in ("off_type", "bent_root", "weak", "disease", "other")}
LATE = {f"cull_{c}": 0 for c in ("off_type", "weak", "disease", "bud_failed", "other")}
KEEP = {"bag": "bagged", "cut_back": "cut", "staked": "staked", "topped": "topped"}
FORM = {"bag": "bag_up", "cut_back": "cut_back", "staked": "stake", "topped": "top"}
MORE = {
    "bag": {**CULLS, "location": "H1"},
    "cut_back": {**LATE, "not_ready": 0},
    "staked": {**LATE, "not_ready": 0, "shoots_removed": "yes", "stakes_treated": "no"},
    "topped": {**LATE, "not_ready": 0},
}


def hazard(day: float) -> float:
    return float(HAZARD[int(day) - 1]) if day >= 1 else 0.0


def course(dice: np.random.Generator) -> list[int]:
    """The ages (days from opening) at which a group comes to each stage after the trays, and is ready."""
    gaps = [dice.normal(110, 18), dice.normal(65, 14), 21, 8, dice.normal(45, 8), dice.normal(80, 15), dice.normal(110, 20)]
    return [int(d) for d in np.cumsum(np.maximum(gaps, 5))]


@dataclass
class Group:
    code: str
    opened_on: int
    """The day its plants were opened on, whichever group they were in."""
    frailty: float
    ages: list[int]
    size: int
    stands: int
    at: int
    """The day until which it has lived."""
    children: int = 0
    next: list[int] = field(default_factory=list)


class Nursery:
    """Some sixty groups as they were opened, what was split off them, and what was written down until the last day."""

    def __init__(self, seed: int, groups: int = 60, moves: bool = True, unseen: float = UNSEEN) -> None:
        self.dice, self.unseen = np.random.default_rng([seed, 41]), unseen
        self.codes = iter(issue(2024, 1, 6 * groups))
        self.rows: dict[str, list[dict[str, object]]] = {}
        self.vanished = 0
        self.groups: list[Group] = []
        for _ in range(groups):
            d = self.dice
            size, day = int(d.choice([300, 500, 800, 1000])), int(d.integers(0, DAYS - 60))
            g = Group(next(self.codes), day, d.gamma(FRAILTY, 1 / FRAILTY), course(d), size, size, day)
            self.note(
                "open_group",
                g.code,
                day,
                seed_lot="L",
                rootstock="CARRIZO",
                sow_date=START + dt.timedelta(days=day - SOWN_BEFORE),
                lifted=size,
                planted=size,
                location="H1",
                **{f"cull_{c}": 0 for c in ("off_type", "bent_root", "etiolated", "weak", "other")},
            )
            self.groups.append(g)
        waiting = list(self.groups)
        while waiting:
            waiting += self.live(waiting.pop(0), moves)

    def note(self, form: str, code: str, day: int, minute: int = 0, **answers: object) -> None:
        if day > DAYS:
            return
        on, rows = START + dt.timedelta(days=day), self.rows.setdefault(form, [])
        visit = {"KEY": f"uuid:{form}-{len(rows)}", "end": f"{on}T{8 + minute // 60:02}:{minute % 60:02}:00.000Z"}
        rows.append(
            {**visit, "visit_date": on, "staff_code": "S01", "group_code": code, **answers, "recount": "yes", "over": "no"}
        )

    def fade(self, g: Group, until: int) -> int:
        """What dies until a day; who is seen to be dead is returned, the others just are not there any more."""
        more = g.frailty * self.dice.gamma(CLUMP, 1 / CLUMP) * (hazard(until - g.opened_on) - hazard(g.at - g.opened_on))
        dead = int(self.dice.binomial(g.stands, -np.expm1(-more)))
        gone = int(self.dice.binomial(dead, self.dice.beta(2 * self.unseen, 2 * (1 - self.unseen)))) if self.unseen else 0
        g.stands, g.at = g.stands - dead, until
        self.vanished += gone if until <= DAYS else 0
        return dead - gone

    def counted(self, n: int) -> int:
        chance = self.dice.random()
        if chance < 0.02 and n >= 100:
            text = list(str(n))
            text[0], text[1] = text[1], text[0]
            return int("".join(text))
        return n if chance < 0.75 else max(0, n + round(self.dice.normal(0, max(0.7, 0.004 * n))))

    def live(self, g: Group, moves: bool) -> list[Group]:
        """A group from where it is to the lorry; what was split off it on the way."""
        events = [(g.opened_on + age, stage) for age, stage in zip(g.ages, (*STAGES[1:], "ready"), strict=True)]
        events = [e for e in events if e[0] > g.at]
        day, end = g.at, events[-1][0]
        while (day := day + int(self.dice.integers(15, 46))) < end:
            events.append((day, "visit"))
        if moves and g.children == 0 and self.dice.random() < 0.6:
            events.append((g.opened_on + int(self.dice.integers(20, 200)), "split"))
        found: list[Group] = []
        buds = 0
        for day, what in sorted(events):
            if day > DAYS or g.stands < 1:
                break
            seen = self.fade(g, day)
            if what in KEEP:
                self.note(FORM[what], g.code, day, coverage="whole", dead=seen, **{KEEP[what]: g.stands}, **MORE[what])
                continue
            if seen:
                self.note("loss", g.code, day, lost=seen, loss_cause="dead")
            if what == "visit" and self.dice.random() < 0.6:
                self.note("stock_count", g.code, day, 30, coverage="whole", counted=self.counted(g.stands))
            elif what == "budded":
                buds = g.stands - int(self.dice.binomial(g.stands, 0.02))
                lot = {"scion": "TAHITI", "budwood_batch": "B-TAH", "buds_set": buds, "passed_over": g.stands - buds}
                self.note("budding", g.code, day, 20, team_code="T02", attempt=1, **lot)
            elif what == "read" and buds:
                buds = min(buds, g.stands)
                took = self.dice.beta(TAKE * (1 / TAKE_RHO - 1), (1 - TAKE) * (1 / TAKE_RHO - 1))
                green = int(self.dice.binomial(buds, took))
                read = {"green": green, "brown": buds - green, "unsure": 0, "missing": 0, "brown_moved": "no"}
                self.note("bud_take", g.code, day, 20, team_code="T02", attempt=1, **read)
            elif what == "ready":
                self.note("despatch", g.code, day, 20, despatched=g.stands, order_ref="O001", consignee="Farm")
                g.stands = 0
            elif what == "split":
                found += self.split(g, day)
        return found

    def split(self, g: Group, day: int) -> list[Group]:
        """Some of a group go to a new one, which is slower, or to one of the same stage that stands by."""
        moved = int(g.stands * self.dice.uniform(0.2, 0.6))
        if moved < 20:
            return []
        slower = int(self.dice.integers(0, 40))
        ages = [age if g.opened_on + age <= day else age + slower for age in g.ages]
        new = Group(next(self.codes), g.opened_on, g.frailty, ages, moved, moved, day, children=1)
        self.note("transfer", g.code, day, 40, to_group=new.code, moved=moved, transfer_reason="split")
        g.stands -= moved
        g.children += 1
        self.groups.append(new)
        return [new]

    def take_in(self, folder: Path) -> Workspace:
        make_workspace(folder, "Bench")
        lists = {
            "staff": "code,label,active\nS01,Abel,yes\n",
            "teams": "code,label,budder,wrapper,active\nT02,Team 2,S01,S01,yes\n",
            "locations": "code,label\nH1,House 1\n",
            "seed_lots": "code,label,rootstock\nL,Lot,CARRIZO\n",
            "budwood_batches": "code,label,scion\nB-TAH,Tahiti,TAHITI\n",
            "orders": "code,label,consignee,scion,rootstock,quantity,wanted_on\nO001,O,Farm,TAHITI,CARRIZO,800,2030-06-01\n",
        }
        for name, text in lists.items():
            (folder / "lists" / f"{name}.csv").write_text(text)
        for form, rows in self.rows.items():
            with (folder / "inbox" / f"{form}.csv").open("w", newline="") as file:
                table = csv.DictWriter(file, [n for n in rows[0] if n not in _NOT_ASKED.get(form, ())], extrasaction="ignore")
                table.writeheader()
                table.writerows(rows)
        workspace = Workspace(folder)
        done = run.import_files(workspace, [workspace.inbox], START + dt.timedelta(days=DAYS))
        assert done.states["accepted"] == sum(done.states.values()), done.states
        return workspace


_NOT_ASKED = {
    form: (("over",) if form in ("stock_count", "loss", "despatch", "transfer", "budding") else ("over", "recount"))
    for form in ("open_group", "bag_up", "cut_back", "stake", "top", "stock_count", "loss", "despatch", "transfer", "budding")
}


def truth(many: int = 20_000) -> tuple[dict[int, float], dict[int, float], dict[str, float], dict[str, float]]:
    """What is expected: survival by days from opening and from budding; the share that comes through each stage; the age
    after sowing at which half of the groups that were opened have come to it. Plants split off are a little slower."""
    dice = np.random.default_rng(1)
    frailty = dice.gamma(FRAILTY, 1 / FRAILTY, many)
    ages = np.array([course(dice) for _ in range(many)])
    middles = {s: float(np.median(ages[:, k])) + SOWN_BEFORE for k, s in enumerate(STAGES[1:])}
    share = np.where(dice.random(many) < 0.6, dice.uniform(0.2, 0.6, many), 0.0)
    day, slower = dice.integers(20, 200, (many, 1)), dice.integers(0, 40, (many, 1))
    ages = np.concatenate([ages, np.where(ages <= day, ages, ages + slower)])
    frailty, weight, many = np.tile(frailty, 2), np.concatenate([1 - share, share]), 2 * many

    def alive(age: np.ndarray) -> np.ndarray:
        found = np.ones(many)
        for begin in range(0, 1000, 20):  # clumps, between visits some twenty days apart
            until = HAZARD[np.clip(age, begin, begin + 20) - 1] - (HAZARD[begin - 1] if begin else 0.0)
            found *= (1 + frailty * np.where(age > begin, until, 0.0) / CLUMP) ** -CLUMP
        return found

    def mean(age: np.ndarray) -> float:
        return float(weight @ alive(age) / weight.sum())

    bounds = np.column_stack([np.zeros(many, dtype=int), ages])
    opening = {d: mean(np.full(many, d)) for d in (100, 200, 300, 450)}
    budding = {d: mean(ages[:, 1] + d) / mean(ages[:, 1]) for d in (100, 200)}
    steps = {s: mean(bounds[:, k + 1]) / mean(bounds[:, k]) for k, s in enumerate(STAGES)}
    return opening, budding, steps, middles


def futures(dice: np.random.Generator, seedlings: int, group_size: int, many: int = 200) -> np.ndarray:
    """Trees that come of so many seedlings, in groups as large as they may be, many times over."""
    full, rest = divmod(seedlings, group_size)
    sizes = [group_size] * full + ([rest] if rest else [])
    found = np.zeros(many, dtype=np.int64)
    for size in sizes:
        for i in range(many):
            ages, frailty = course(dice), dice.gamma(FRAILTY, 1 / FRAILTY)

            def some(n: int, since: int, until: int, frailty: float = frailty) -> int:
                more = 0.0
                for begin in range(since, until, 30):
                    end = min(until, begin + 30)
                    more += frailty * dice.gamma(CLUMP, 1 / CLUMP) * (hazard(end) - hazard(begin))
                return int(dice.binomial(n, np.exp(-more)))

            budded = some(size, 0, ages[1])
            took = dice.beta(TAKE * (1 / TAKE_RHO - 1), (1 - TAKE) * (1 / TAKE_RHO - 1))
            found[i] += some(int(dice.binomial(budded, took)), ages[1], ages[-1])
    return found


def measured(seed: int, known: tuple, moves: bool = True, plans: bool = True) -> dict[str, list[float]]:
    """What the tables of one nursery say, beside the truth."""
    opening, budding, steps, middles = known
    nursery = Nursery(seed, groups=int(np.random.default_rng(seed).integers(25, 90)), moves=moves)
    found: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        workspace = nursery.take_in(Path(folder) / "nursery")
        names = (*outlook.TABLES, "survival", "loss_causes", "ladder")
        with run.opened(workspace, names, START + dt.timedelta(days=DAYS)) as (store, _):
            rows = store.rows("SELECT clock, step, at_risk, lost, survival, se FROM survival WHERE \"by\" = 'all' ORDER BY ALL")
            by = {(clock, step): rest for clock, step, *rest in rows}
            for clock, true in (("days_from_opening", opening), ("days_from_budding", budding)):
                for day, share in true.items():
                    if (row := by.get((clock, str(day)))) and row[0] >= 100:
                        found.setdefault(f"{clock}: within two errors", []).append(abs(row[2] - share) <= 2 * row[3])
                        found.setdefault(f"{clock}: bias in points", []).append(100 * (row[2] - share))
            found["days_from_budding: largest error"] = [max([r[5] for r in rows if r[0] == "days_from_budding"], default=0)]
            product = 1.0
            for stage, share in steps.items():
                product *= share
                if row := by.get(("stage", stage)):
                    found.setdefault(f"stage {stage}: bias in points", []).append(100 * (1 - row[1] / row[0] - share))
                    found.setdefault("stages: kept so far within two errors", []).append(abs(row[2] - product) <= 2 * row[3])
            told = store.value(
                "SELECT coalesce(sum(lost), 0) FROM loss_causes"
                " WHERE \"by\" = 'all' AND stage = 'all' AND cause = 'not_recorded'"
            )
            found["vanished: share that is told"] = [float(told) / max(1, nursery.vanished)]
            for stage, days in store.rows("SELECT stage, days FROM work.stage_ages WHERE days IS NOT NULL"):
                if stage in middles:
                    found.setdefault(f"age at {stage}: days off", []).append(days - middles[stage])
            if plans:
                dice = np.random.default_rng([seed, 5])
                trees = int(dice.choice([300, 800, 2500]))
                said = outlook.plan(store, workspace.settings, "CARRIZO", "TAHITI", trees, dt.date(2030, 6, 1))
                for assured, at in ((95, said[0].at_95), (80, said[0].at_80)):
                    came = futures(dice, at, workspace.settings.group_size, 60)
                    found[f"plan at {assured} %: cases in which it holds"] = [float((came >= trees).mean())]
    return found


def main() -> None:
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    known, found = truth(), dict[str, list[float]]()
    for seed in range(many):
        for name, values in measured(seed, known).items():
            found.setdefault(name, []).extend(float(v) for v in values)
    print(f"| over {many} nurseries | found |\n| --- | --- |")
    for name, values in found.items():
        print(f"| {name} | {np.max(values) if 'largest' in name else np.mean(values):.3f} |")


if __name__ == "__main__":
    main()
