"""Completed counts and the book -> what is believed of each group by its own chain, and what stands now.

Rates are learned from what is dated before the first of the month of the day asked for (from everything, while that is
little), so they hold for a month, and a group that nothing new was recorded of keeps what was worked out for it before.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import fields
from typing import Any, NamedTuple

import numpy as np

from pipeline.book.chains import Built, build, work_out, write_down
from pipeline.formulas import standing_now
from pipeline.formulas.chain_rates import Learned, fixed, learn
from pipeline.formulas.count_chain import Chains, Rates
from pipeline.formulas.people import Common, People, unknown, with_open_leans, with_people
from pipeline.stages import Work, sql_text
from pipeline.store import Store

_ENOUGH, _MOST_GROUPS = 200, 1500
_BY_DAY = {
    "accepted": "visit_date",
    "movements": "on_date",
    "flows": "on_date",
    "completed": "on_date",
    "live_plants": "on_date",
    "stage_events": "on_date",
}


def draw_sample(work: Work) -> None:
    """work.learned_from and work.learned_jumps: the chains that rates are learned from, as they stood at the beginning of the
    month (as they stand, while fewer than 200 counts are older), of at most 1,500 groups, drawn by their codes."""
    run = work.store.connection.execute
    begins_on = work.value("SELECT begins_on FROM work.month")
    older = work.value("SELECT count(*) FROM work.completed WHERE on_date < ?", [begins_on])
    until = begins_on if older >= _ENOUGH else dt.date.max
    run(
        "CREATE OR REPLACE TEMP TABLE drawn AS SELECT group_code FROM work.openings WHERE opened_on < $1"
        f" ORDER BY md5(group_code), group_code LIMIT {_MOST_GROUPS}",
        [until],
    )
    if until == dt.date.max and not work.value("SELECT count(*) FROM work.openings ANTI JOIN drawn USING (group_code)"):
        work.put_query("learned_jumps", "SELECT * FROM work.chain_jumps")  # of everything the chains are there
        work.put_query("learned_from", "SELECT * FROM work.chain_input")
        return
    parts = {}
    for name in (*_BY_DAY, "openings", "inherited", "placings", "books"):
        older_only = f" AND {_BY_DAY[name]} < DATE '{until}'" if name in _BY_DAY else ""
        run(
            f"CREATE OR REPLACE TEMP VIEW drawn_{name} AS SELECT * FROM work.{name} SEMI JOIN drawn USING (group_code)"
            f" WHERE true{older_only}"
        )
        parts[name] = f"drawn_{name}"
    drawn = Work(work.store, work.context, parts)
    for name, into in (
        ("chain_nodes", ""),
        ("of_others", ""),
        ("of_walk", ""),
        ("chain_jumps", "learned_jumps"),
        ("chain_input", "learned_from"),
    ):
        if into:
            work.put_query(into, drawn.said(sql_text(name)))
        else:
            run(f"CREATE OR REPLACE TEMP TABLE drawn_{name} AS {drawn.said(sql_text(name))}")
            parts[name] = f"drawn_{name}"


def learn_rates(work: Work) -> None:
    """work.counting_rates: one row, the rates as JSON; `exact` is by person."""
    settings = work.context.workspace.settings
    given = {f.name: v for f in fields(settings.counting) if (v := getattr(settings.counting, f.name)) is not None}
    built = build(work, "learned_from", "learned_jumps")
    if built.codes:
        learned = learn(built.chains, built.who, len(built.staff), settings.crate_size, given)
    else:
        learned = fixed(Learned(Rates(), unknown(0), Common()), given)
    each = list(zip(built.staff, *(v.tolist() for v in vars(learned.people).values()), strict=True))
    said = json.dumps({"rates": vars(learned.rates), "people": {s: v for s, *v in each}, "common": learned.common})
    work.put("counting_rates", {"said": "VARCHAR"}, [(said,)])
    work.put("people", {"staff_code": "VARCHAR"} | dict.fromkeys(vars(learned.people), "DOUBLE"), each)


class InForce(NamedTuple):
    """The rates in force: of the nursery, of each person (in the order of `Common`), and of anybody else."""

    rates: Rates
    people: dict[str, Common]
    common: Common


def rates_of(work: Work | Store) -> InForce:
    """From work.counting_rates."""
    said = json.loads(work.value("SELECT said FROM work.counting_rates"))
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in said["rates"].items()}
    return InForce(Rates(**values), {s: Common(*v) for s, v in said["people"].items()}, Common(*said["common"]))


def counted_by(built: Built, in_force: InForce) -> Chains:
    """The chains with what is known of those who counted."""
    each = [in_force.people.get(s, in_force.common) for s in built.staff]
    people = People(*np.array(each, dtype=float).reshape(len(each), len(Common())).T)
    chains = with_people(built.chains, built.who, people, in_force.common)
    return with_open_leans(chains, built.who, people, in_force.common)


def believe_alone(work: Work) -> None:
    """work.alone (one row a node) and work.alone_ends (one row a group): each group by its own chain."""
    in_force, built = rates_of(work), build(work)
    chains = counted_by(built, in_force)
    write_down(work, "alone", built, work_out(chains, in_force.rates, work.context.workspace.settings.crate_size))


def stand_now(work: Work) -> None:
    """work.stands_now: plants of each group on the day, its last node's less what is lost without a record since."""
    rates = rates_of(work).rates
    day = work.value("SELECT (as_of - DATE '1970-01-01')::BIGINT FROM work.day")
    found = work.rows(
        "SELECT e.group_code, e.last_day, e.low, e.last, b.book_count, coalesce(s.rank, 1) FROM work.chain_ends e"
        " JOIN work.books b USING (group_code) LEFT JOIN work.stages s USING (group_code) ORDER BY e.group_code"
    )
    last_day, low, book, rank = (np.array([row[i] for row in found], dtype=np.int64) for i in (1, 2, 4, 5))
    last = [np.frombuffer(row[3]) for row in found]
    now = standing_now.stand_now(last, low, book, rank, (day - last_day).astype(float), rates)
    numbers = [v.tolist() for v in (*now[:3], *(v.round(4) for v in now[3:6]))]
    numbers.append([v.tobytes() for v in now.spread.round(3).astype(np.float32)])
    kinds = {"group_code": "VARCHAR"} | dict.fromkeys(now._fields[:3], "BIGINT")
    kinds |= dict.fromkeys(now._fields[3:6], "DOUBLE") | {"spread": "BLOB"}
    work.put("stands_now", kinds, list(zip([row[0] for row in found], *numbers, strict=True)))
