"""Budwood batches: how the buds of each took, compared fairly, and where they went."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from formpack.group_code import shown
from formpack.words import listed, marked, percent, tr, trn
from pipeline.rates.takes import LEAST_BUDS
from pipeline.report.blocks import Block, Cell, Chapter, Column, Fold, Says, Table, interval
from pipeline.report.chapters import flags
from pipeline.report.stock import place_names
from pipeline.store import Store
from pipeline.tables import names_of
from pipeline.workspace import Workspace

_MOST = 60
"""Batches of the folded table, the latest first."""
_NAMED = 6
"""Batches that a sentence names."""
_RATES = """
SELECT t.level, t.buds_set, t.read, t.taken, t.take_rate, t.adjusted, t.adjusted_low, t.adjusted_high, t.q_value, t.flag,
    b.scion, concat_ws(' ', b.source_block, b.source_tree), b.cut_on
FROM take_rates t LEFT JOIN work.budwood_batches b ON b.code = t.level
WHERE t."by" = 'budwood_batch'
ORDER BY t.flag IS NOT DISTINCT FROM 'worse' DESC, t.flag IS NOT DISTINCT FROM 'better' DESC, b.cut_on DESC NULLS LAST, t.level
"""
# a group's trees are its lots' in shares of the buds that took, or of those set while none is read
_WENT = """
WITH own AS (
    SELECT l.group_code, l.budwood_batch, p.location, sum(l.buds_set)::BIGINT AS buds_set,
        sum(coalesce(l.green, l.buds_set))::DOUBLE AS live
    FROM work.lots l LEFT JOIN work.lot_places p USING (group_code, team_code, attempt) GROUP BY ALL
),
shares AS (
    SELECT *, live / nullif(sum(live) OVER (PARTITION BY group_code), 0) AS share FROM own
),
sent AS (
    SELECT m.group_code, sum(m.quantity)::BIGINT AS sent, list(DISTINCT d.order_ref ORDER BY d.order_ref)
        FILTER (WHERE d.order_ref IS NOT NULL) AS orders
    FROM movements m LEFT JOIN (SELECT DISTINCT instance_id, group_code, order_ref FROM work.deliveries) d
        USING (instance_id, group_code)
    WHERE m.kind = 'despatched' GROUP BY m.group_code
)
SELECT x.budwood_batch, x.group_code, x.location, x.buds_set, round(coalesce(x.share, 0) * s.estimate)::BIGINT AS standing,
    s.location AS now_at, round(coalesce(x.share, 0) * coalesce(t.sent, 0))::BIGINT AS sent, t.orders
FROM shares x JOIN standing s USING (group_code) LEFT JOIN sent t USING (group_code)
WHERE x.budwood_batch IS NOT NULL
"""
_CUT = """
SELECT budwood_batch, scion, cut_on, buds_cut, buds_set, left_over, oldest_days, state FROM budwood
WHERE buds_cut IS NOT NULL ORDER BY cut_on DESC NULLS LAST, budwood_batch
"""
_AGES = """
SELECT level, lots, read, take_rate, adjusted, adjusted_low, adjusted_high, flag, q_value FROM take_rates
WHERE "by" = 'budwood_age' AND read > 0 ORDER BY CASE level WHEN 'after 14' THEN 99 ELSE split_part(level, ' ', 1)::INTEGER END
"""
AGES = {"0 to 2": marked("0 to 2"), "3 to 7": marked("3 to 7"), "8 to 14": marked("8 to 14"), "after 14": marked("after 14")}
STATES = {
    "not used": marked("not used"),
    "set before it was cut": marked("set before it was cut"),
    "more set than cut": marked("more set than cut"),
    "used late": marked("used late"),
    "no authorisation": marked("no authorisation"),
    "not told": marked("not told"),
    "in order": marked("in order"),
}
"""What is said of a batch; `tr` it."""
_ODD = ("set before it was cut", "more set than cut", "used late")


@dataclass(frozen=True)
class Batch:
    code: str
    buds_set: int
    read: int
    taken: int
    take_rate: float | None
    adjusted: float | None
    adjusted_low: float | None
    adjusted_high: float | None
    q_value: float | None
    flag: str | None
    scion: str | None
    source: str
    cut_on: dt.date | None


@dataclass(frozen=True)
class Went:
    """What became of a batch in one group: buds set and where, trees of it that stand now and where, and those despatched, with
    the orders that the group's trees went to. Trees of a group with several batches are shared out by the buds that took."""

    group: str
    set_at: str | None
    buds_set: int
    standing: int
    now_at: str | None
    sent: int
    orders: list[str]


def _batches(store: Store) -> list[Batch]:
    return [Batch(*row) for row in store.rows(_RATES)]


def _went(store: Store) -> dict[str, list[Went]]:
    found: dict[str, list[Went]] = defaultdict(list)
    for code, group, set_at, buds, standing, now_at, sent, orders in store.rows(f"{_WENT} ORDER BY x.group_code, x.location"):
        found[code].append(Went(shown(group), set_at, buds, standing, now_at if standing else None, sent, orders or []))
    return found


def _others(batch: Batch, batches: list[Batch]) -> float:
    """The take of the buds of all other batches."""
    read = sum(b.read for b in batches) - batch.read
    return (sum(b.taken for b in batches) - batch.taken) / read if read else 0.0


def out_of_line(store: Store) -> list[flags.OutOfLine]:
    """Batches that took worse than what they were set in explains, the most plants first."""
    batches = _batches(store)
    found = []
    for b in batches:
        if b.flag == "worse" and b.adjusted is not None:
            lost = max(0, round(b.read * (_others(b, batches) - b.adjusted)))
            said = tr(
                "Batch {batch} took badly: {adjusted} with the whole mix, where others have {others}; that is {plants} of its"
                " {read} buds.",
                batch=b.code,
                adjusted=percent(b.adjusted),
                others=percent(_others(b, batches)),
                plants=lost,
                read=b.read,
            )
            found.append(flags.OutOfLine(said, lost, "#batches"))
    return sorted(found, key=lambda one: -one.plants)


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """Budwood batches; None where nothing was budded."""
    if not store.value("SELECT count(*) FROM lots"):
        return None
    batches, went, places = _batches(store), _went(store), place_names(store)
    names = names_of(store, "scions")
    title = tr("Budwood batches")
    if not batches:
        return Chapter("batches", title, [Says(tr("No budding names one batch of budwood, so that none can be followed."))])
    said: list[Block] = [Says(one.sentence, "stop") for one in out_of_line(store)]
    if not said:
        told = any(b.q_value is not None for b in batches)
        clear = tr("No batch is out of line: each took about as its teams, pairs and months let expect.")
        said = [
            Says(clear if told else tr("Batches cannot be compared yet: too few share teams, pairs or months with others."))
        ]
    unread = sum(not b.read for b in batches)
    if unread:
        said.append(
            Says(trn("No buds of {n} batch have been read yet.", "No buds of {n} batches have been read yet.", unread), "soft")
        )
    if more := [b.code for b in batches if b.read > b.buds_set]:
        said.append(
            Says(
                trn(
                    "Of {n} batch more buds were read than set: {batches}. Look at its records.",
                    "Of {n} batches more buds were read than set: {batches}. Look at their records.",
                    len(more),
                    batches=listed(more, _NAMED),
                )
            )
        )
    odd = [b for b in batches if b.flag in ("better", "worse")]
    rest = [b for b in batches if b not in odd]
    if odd:
        said.append(_compared("flagged_batches", tr("Batches out of line"), odd, went, names))
    for b in odd:
        if b.flag == "worse" and went.get(b.code):
            said.append(_where(b, went[b.code], places))
    if rest:
        caption = tr("Batches that are not out of line, the latest first")
        if len(rest) > _MOST:
            caption = tr("The latest {n} of {all} batches that are not out of line", n=_MOST, all=len(rest))
        said.append(Fold(tr("Other batches"), [_compared("batches", caption, rest[:_MOST], went, names)]))
    said += _left_over(store, names)
    said += _by_age(store)
    said.append(Fold(tr("How batches are compared"), [Says(_how(), "soft")]))
    return Chapter("batches", title, said)


def _left_over(store: Store, names: Mapping[str, str]) -> list[Block]:
    """Buds cut, set and left over, where it is known how many were cut."""
    rows = store.rows(f"{_CUT} LIMIT {_MOST}")
    if not rows:
        return []
    columns = [
        Column(tr("batch"), "code"),
        Column(tr("state")),
        Column(tr("scion"), is_aside=True),
        Column(tr("cut on"), "day"),
        Column(tr("buds cut"), "number"),
        Column(tr("buds set"), "number"),
        Column(tr("left over"), "number"),
        Column(tr("oldest"), "number", tr("Days from cutting to the last setting.")),
    ]
    shown_rows = [
        (code, Cell(state, tr(STATES[state]), is_marked=state in _ODD), names.get(scion or "", scion), *rest)
        for code, scion, *rest, state in rows
    ]
    caption = tr("Buds cut, set and left over, the latest batches first")
    return [Fold(caption, [Table("budwood_left", caption, columns, shown_rows)])]


def _by_age(store: Store) -> list[Block]:
    """Take by the age of the budwood, as it is and with the whole mix."""
    rows = store.rows(_AGES)
    if not rows:
        return []
    untold = store.value(
        "SELECT count(*) FROM lots l LEFT JOIN work.budwood_batches b ON b.code = l.budwood_batch"
        " WHERE l.take_rate IS NOT NULL AND (b.cut_on IS NULL OR b.cut_on > l.budded_on)"
    )
    says = [tr("Old budwood may also have been cut, kept or set otherwise: this shows no cause.")]
    if untold:
        says.append(
            trn(
                "{n} lot is left out, as it is not known when its budwood was cut.",
                "{n} lots are left out, as it is not known when their budwood was cut.",
                untold,
            )
        )
    columns = [
        Column(tr("days from cutting to setting")),
        Column(tr("lots"), "number"),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share"),
        Column(tr("take with the whole mix"), "share"),
        *interval("share"),
        Column(tr("compared")),
    ]
    ages = [(tr(AGES[level]), *rest[:-2], flags.words(*rest[-2:])) for level, *rest in rows]
    caption = tr("Take by the age of the budwood")
    return [Fold(caption, [Says(" ".join(says)), Table("take_by_age", caption, columns, ages)])]


def _how() -> str:
    return tr(
        "With the whole mix is the take a batch would have had, had it been set in what the whole nursery budded: rootstock,"
        " scion, pair, month, attempt and team are allowed for. A batch is flagged only with {buds} buds read and fewer than"
        " 5 false alarms in 100 flags. Trees of a group with several batches are shared out by the buds that took; trees that"
        " were moved on to other groups are not followed.",
        buds=LEAST_BUDS,
    )


def _compared(name: str, caption: str, batches: list[Batch], went: dict[str, list[Went]], names: Mapping[str, str]) -> Table:
    columns = [
        Column(tr("batch"), "code"),
        Column(tr("scion")),
        Column(tr("cut on"), "day"),
        Column(tr("buds set"), "number"),
        Column(tr("buds read"), "number"),
        Column(tr("take"), "share"),
        Column(
            tr("take with the whole mix"),
            "share",
            tr("take, had it been set in what the whole nursery budded; with the 95 % interval"),
        ),
        Column(tr("compared")),
        Column(tr("groups"), "number"),
        Column(tr("trees standing"), "number"),
        Column(tr("despatched"), "number"),
    ]
    rows: list[list[Any]] = []
    for b in batches:
        of = went.get(b.code, [])
        rows.append(
            [
                *(
                    b.code,
                    names.get(b.scion or "", b.scion),
                    b.cut_on,
                    b.buds_set,
                    _read(b),
                    b.take_rate,
                    _adjusted(b),
                    flags.words(b.flag, b.q_value),
                ),
                *(len({w.group for w in of}), sum(w.standing for w in of), sum(w.sent for w in of)),
            ]
        )
    worse = frozenset(i for i, b in enumerate(batches) if b.flag == "worse")
    return Table(name, caption, columns, rows, marked=worse, mark_says=tr("worse") if worse else tr("look at its records"))


def _read(b: Batch) -> Any:
    """Buds read; marked where they are more than were set."""
    return Cell(b.read, tr("{n}, more than set", n=b.read), is_marked=True) if b.read > b.buds_set else b.read


def _adjusted(b: Batch) -> Cell | None:
    if b.adjusted is None or b.adjusted_low is None or b.adjusted_high is None:
        return None
    if not b.flag:
        return Cell(b.adjusted)
    said = {"take": percent(b.adjusted), "low": percent(b.adjusted_low), "high": percent(b.adjusted_high)}
    return Cell(b.adjusted, tr("{take} ({low} to {high})", **said), is_marked=b.flag == "worse")


def _where(b: Batch, went: list[Went], places: dict[str, str]) -> Table:
    columns = [
        Column(tr("group"), "code"),
        Column(tr("set in")),
        Column(tr("buds set"), "number"),
        Column(tr("trees standing"), "number"),
        Column(tr("now in")),
        Column(tr("despatched"), "number"),
        Column(tr("orders")),
    ]
    rows = [
        [
            *(w.group, places.get(w.set_at or "", w.set_at), w.buds_set, w.standing),
            *(places.get(w.now_at or "", w.now_at), w.sent, listed(w.orders, 4)),
        ]
        for w in went
    ]
    sums = (sum(w.buds_set for w in went), sum(w.standing for w in went), sum(w.sent for w in went))
    total = [tr("together"), None, sums[0], sums[1], None, sums[2], None]
    return Table(
        f"batch_{b.code}",
        tr("Where {batch} went (cut from {source})", batch=b.code, source=b.source or "?"),
        columns,
        rows,
        total=total,
    )
