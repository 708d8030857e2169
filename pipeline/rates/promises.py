"""What can be promised: how many trees of a pair are ready, ordered and free by a month, and which orders can be met."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from formpack.words import first_day, listed, many, month, percent, tr, trn, unpacked
from pipeline.harmless import one_line
from pipeline.store import Store

PROMISES = tuple(
    "projection orders owed allotted trees unknown_steps day list_compatibility list_rootstocks list_scions".split()
)
"""The tables that are read here."""
Pair = tuple[str, str]
"""Rootstock and scion, by their codes."""


@dataclass(frozen=True)
class Grade:
    """What the compatibility list says of a pair that is not compatible."""

    words: str
    source: str
    is_incompatible: bool

    @property
    def mark(self) -> str:
        """A sign for where there is no room for words."""
        return "✕" if self.is_incompatible else "?"

    def says(self, pair: str) -> str:
        """A sentence of its own."""
        return tr(
            "The compatibility list has {pair} as {grade} ({source}).",
            pair=pair,
            grade=self.words,
            source=self.source or tr("no source given"),
        )


def grades(store: Store) -> dict[Pair, Grade]:
    """The pairs of lists/compatibility.csv that are not compatible."""
    rows = store.rows(
        "SELECT rootstock, scion, string_agg(DISTINCT grade, '; ' ORDER BY grade),"
        " string_agg(DISTINCT source, '; ' ORDER BY source), bool_or(starts_with(lower(trim(grade)), 'incompatible'))"
        " FROM work.list_compatibility"
        " WHERE lower(trim(grade)) NOT IN ('', 'compatible') GROUP BY ALL ORDER BY ALL"
    )
    return {(stock, scion): Grade(one_line(words), one_line(source or ""), no) for stock, scion, words, source, no in rows}


@dataclass(frozen=True)
class Names:
    """How pairs are called: by the labels of the lists, or by their codes; with the mark of the compatibility list."""

    labels: dict[str, dict[str, str]]
    grades: dict[Pair, Grade]

    @classmethod
    def read(cls, store: Store) -> Names:
        """By labels."""
        rows = {name: store.rows(f"SELECT code, label FROM work.list_{name}") for name in ("rootstocks", "scions")}
        return cls({name: {c: one_line(label or c) for c, label in some} for name, some in rows.items()}, grades(store))

    def is_incompatible(self, pair: Pair) -> bool:
        """Whether the compatibility list has it so."""
        return pair in self.grades and self.grades[pair].is_incompatible

    def rootstock(self, code: str) -> str:
        return self.labels.get("rootstocks", {}).get(code, code)

    def scion(self, code: str) -> str:
        return self.labels.get("scions", {}).get(code, code)

    def growing(self, rootstock: str | None, scion: str | None, is_mixed: bool = False) -> str:
        """What stands in a group, as far as is known: `Carrizo citrange / Satsuma`."""
        return " / ".join(filter(None, (self.rootstock(rootstock or ""), tr("mixed") if is_mixed else self.scion(scion or ""))))

    def plain(self, pair: Pair) -> str:
        return f"{self.rootstock(pair[0])} + {self.scion(pair[1])}"

    def pair(self, pair: Pair) -> str:
        """`C-35 citrange + Eureka lemon (incompatible)`."""
        if not pair[1]:
            return tr("{rootstock}, mixed", rootstock=self.rootstock(pair[0]))
        return self.with_grade(self.plain(pair), pair)

    def with_grade(self, name: str, pair: Pair) -> str:
        """What something of a pair is called, with a word where the compatibility list doubts the pair."""
        if pair not in self.grades:
            return name
        return (
            tr("{name} (incompatible)", name=name) if self.grades[pair].is_incompatible else tr("{name} (doubtful)", name=name)
        )


@dataclass(frozen=True)
class Order:
    """An order that is not delivered. `of_age`: trees of it that stand and are of age; `ready`: trees that will be by the month
    it is wanted in (overdue: by this month); `short` what then lacks; `chance` that none does, where there are data; `ready_in`
    the month in which all of it is ready. The oldest order of a pair is served first."""

    ref: str
    consignee: str
    pair: Pair
    wanted_on: dt.date
    ordered: int
    delivered: int
    open: int
    days_over: int
    of_age: int
    ready: int
    short: int
    chance: float | None
    ready_in: dt.date | None


def open_orders(store: Store) -> list[Order]:
    """The orders that trees are still owed to, the oldest first."""
    rows = store.rows(
        "SELECT order_ref, consignee, rootstock, scion, wanted_on, ordered, delivered, open, days_over, of_age, ready, short,"
        " chance_met, (ready_in || '-01')::DATE FROM orders WHERE open > 0 ORDER BY wanted_on, order_ref"
    )
    return [Order(ref, one_line(to or ""), (stock, scion), *rest) for ref, to, stock, scion, *rest in rows]


def orders_left_out(store: Store) -> list[tuple[str, str]]:
    """The orders that nothing can be planned for, each with a sentence why."""
    return [(ref, unpacked(why)) for ref, why in store.rows("SELECT order_ref, fault FROM work.owed WHERE fault IS NOT NULL")]


@dataclass(frozen=True)
class Promise:
    """Trees of a pair by the end of a month: `ready` and what of that holds in 8 of 10 and in 95 of 100 cases, `ordered` by
    then, and `free`, which no order wants, this month or later. No number where there are no data for it."""

    month: dt.date
    ready: int
    ready_80: int | None
    ready_95: int | None
    ordered: int
    free: int
    free_80: int | None
    free_95: int | None


_PROMISES = """
SELECT rootstock, scion, month, ready_until, holds_80, holds_95, ordered_until, free, free_80, free_95
FROM projection ORDER BY rootstock, scion, month
"""


def promises(store: Store) -> dict[Pair, list[Promise]]:
    """By pair, the months in which something becomes ready or is wanted, in order."""
    found: dict[Pair, list[Promise]] = {}
    for stock, scion, text, *rest in store.rows(_PROMISES):
        found.setdefault((stock, scion), []).append(Promise(first_day(text), *rest))
    return found


def chance_says(value: float | None) -> str:
    """A chance in words: never 0 or 100 %."""
    if value is None:
        return tr("no data")
    if value > 0.99:
        return tr("over {share}", share=percent(0.99, 0))
    return tr("under {share}", share=percent(0.01, 0)) if value < 0.01 else percent(value, 0)


def until(of_pair: Sequence[Promise], first: dt.date) -> Promise:
    """What can be promised for a month: it stands as in the last month before it in which something changes."""
    before = [p for p in of_pair if p.month <= first]
    return before[-1] if before else Promise(first, 0, 0, 0, 0, 0, 0, 0)


def next_ready(of_pair: Sequence[Promise], after: dt.date) -> dt.date | None:
    """The first month beginning after that day in which trees become ready."""
    now = until(of_pair, after).ready
    return next((p.month for p in of_pair if p.month > after and p.ready > now), None)


@dataclass(frozen=True)
class OfAge:
    """Trees of a pair that stand topped and of age: `promised` of them go to open orders, `free` to none."""

    pair: Pair
    groups: int
    trees: int
    promised: int

    @property
    def free(self) -> int:
        return self.trees - self.promised


_OF_AGE = """
WITH given AS (SELECT group_code, sum(trees) AS trees FROM work.allotted GROUP BY group_code)
SELECT coalesce(t.rootstock, '') AS rootstock, coalesce(t.scion, '') AS scion, count(*), sum(t.trees)::BIGINT,
    coalesce(sum(g.trees), 0)::BIGINT AS promised
FROM work.trees t JOIN work.day d ON t.of_age_on <= d.as_of LEFT JOIN given g USING (group_code)
WHERE t.trees > 0
GROUP BY 1, 2 ORDER BY sum(t.trees) - promised DESC, 1, 2
"""


def of_age(store: Store) -> list[OfAge]:
    """By pair, the most free trees first. Of a mixed group (its scion is '') nothing can be promised."""
    rows = store.rows(_OF_AGE)
    return [OfAge((stock, scion), *rest) for stock, scion, *rest in rows]


def free_says(found: Sequence[OfAge]) -> str:
    """How many trees of age no order wants, in a sentence; '' where none are of age."""
    trees, free = sum(f.trees for f in found), sum(f.free for f in found)
    if not trees:
        return ""
    if not free:
        return tr("No tree of age is free ({trees}): open orders want them all.", trees=many(trees, "tree"))
    return trn(
        "Of {trees} of age {n} is free: no open order wants it.",
        "Of {trees} of age {n} are free: no open order wants them.",
        free,
        trees=many(trees, "tree"),
    )


@dataclass(frozen=True)
class ToMeet:
    """A sentence about orders that ask for something to be done; `trees` are at stake."""

    says: str
    trees: int
    href: str
    is_meetable: bool
    pair: Pair


_AHEAD = 3
"""Months, with this one, in which orders that will fall short are looked for."""
_HREF = "#promises"


def orders_to_meet(store: Store) -> list[ToMeet]:
    """The orders to do something about, a sentence a pair: overdue ones for which trees stand, overdue ones that cannot be met,
    and those of the coming three months that fall short; of each the most trees first. Of an incompatible pair nothing is
    delivered or budded before its customers were talked to."""
    names, day = Names.read(store), store.value("SELECT as_of FROM work.day")
    last = (day.replace(day=1) + dt.timedelta(days=31 * _AHEAD)).replace(day=1)
    by_pair: dict[Pair, list[Order]] = {}
    for order in open_orders(store):
        by_pair.setdefault(order.pair, []).append(order)
    trees = {found.pair: found.trees for found in of_age(store)}
    go: list[ToMeet] = []
    lack: list[ToMeet] = []
    ahead: list[ToMeet] = []
    for pair, orders in by_pair.items():
        name, late = names.pair(pair), [o for o in orders if o.days_over > 0]
        coming = [o for o in orders if o.days_over <= 0 and o.wanted_on < last and o.short]
        lacking = [o for o in late if o.open > o.of_age]
        if names.is_incompatible(pair):
            if wanted := sum(o.open for o in (*late, *coming)):
                lack.append(ToMeet(_talk_first(names.plain(pair), [*late, *coming], wanted), wanted, _HREF, False, pair))
            continue
        if ready := sum(o.of_age for o in late):
            go.append(ToMeet(_can_go(name, late, trees[pair]), ready, _HREF, True, pair))
        if short := sum(o.open - o.of_age for o in lacking):
            lack.append(ToMeet(_cannot(name, lacking, short), short, _HREF, False, pair))
        if short := sum(o.short for o in coming):
            ahead.append(ToMeet(_falls_short(name, coming, short), short, _HREF, False, pair))
    return [found for some in (go, lack, ahead) for found in sorted(some, key=lambda f: (-f.trees, f.says))]


def _refs(orders: Sequence[Order]) -> str:
    return listed((o.ref for o in orders), 3)


def _can_go(pair: str, late: Sequence[Order], of_age: int) -> str:
    return tr(
        "Deliver {pair} now: {ordered} for orders overdue since {month} ({orders}); ready now: {ready}.",
        pair=pair,
        ordered=many(sum(o.open for o in late), "tree"),
        month=month(late[0].wanted_on),
        orders=_refs(late),
        ready=many(of_age, "tree"),
    )


def _talk_first(pair: str, orders: Sequence[Order], wanted: int) -> str:
    return tr(
        "Talk to the customers of {pair} first, as the compatibility list has it as incompatible: {trees} for open orders"
        " ({orders}), the first wanted on {day}.",
        pair=pair,
        trees=many(wanted, "tree"),
        orders=_refs(orders),
        day=orders[0].wanted_on,
    )


def _cannot(pair: str, late: Sequence[Order], short: int) -> str:
    ready = [o.ready_in for o in late]
    trees, orders, since = many(short, "tree"), _refs(late), month(late[0].wanted_on)
    if all(ready):
        return tr(
            "Tell the customers of {pair}: {trees} short for orders overdue since {month} ({orders}); enough will be ready in"
            " {ready}.",
            pair=pair,
            trees=trees,
            month=since,
            orders=orders,
            ready=month(max(m for m in ready if m)),
        )
    return tr(
        "Bud {pair} again, and tell the customers: {trees} short for orders overdue since {month} ({orders}), and too few are"
        " budded for them.",
        pair=pair,
        trees=trees,
        month=since,
        orders=orders,
    )


def _falls_short(pair: str, coming: Sequence[Order], short: int) -> str:
    return tr(
        "Tell the customers of {pair}: {trees} short for orders of the coming months ({orders}), the first on {day}.",
        pair=pair,
        trees=many(short, "tree"),
        orders=_refs(coming),
        day=coming[0].wanted_on,
    )
