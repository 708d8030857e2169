from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from formpack import words
from formpack.words import first_day, many, number, short_month, tr, trn
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    number_of,
    print_json,
    print_table,
    refusals,
    say,
    workspace_at,
)

if TYPE_CHECKING:
    from pipeline.rates.promises import Names, Order, Promise


def _month(text: str) -> dt.date:
    from formpack.readers import READERS
    from pipeline.findings import Refused

    day = READERS["date"](f"{text}-01")
    if not isinstance(day, dt.date):
        raise Refused(tr("--month {text} is not a month; write it as YYYY-MM, for example 2028-03.", text=text))
    return day


def plan(
    rootstock: Annotated[str, typer.Option(help="Code of the rootstock, to plan trees of a pair.")] = "",
    scion: Annotated[str, typer.Option(help="Code of the scion.")] = "",
    trees: Annotated[
        int | None,
        typer.Option(
            parser=number_of("--trees", "integer", 1, 1_000_000), metavar="N", help="How many trees are wanted, to begin anew."
        ),
    ] = None,
    month: Annotated[str, typer.Option(metavar="YYYY-MM", help="The month they are to be ready in.")] = "",
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what can be promised: what will be ready when, and which orders can be met; of a pair in a month, how many trees are
    free; and for trees of it, how many to begin with and when."""
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.rates import outlook, promises

    with refusals():
        ws = workspace_at(workspace)
        asked = [bool(rootstock), bool(scion), bool(month)]
        if (any(asked) or trees is not None) and not all(asked):
            raise Refused(
                tr("To ask about a pair give --rootstock, --scion and --month together; with --trees, to plan so many anew.")
            )
        for name, code in (("rootstocks", rootstock), ("scions", scion)):
            if code and code not in {row["code"] for row in ws.read_list(name)}:
                raise Refused(tr("There is no {code} in lists/{name}.csv.", code=code, name=name))
        first = _month(month) if month else None
        today = run.the_day(ws.settings, day_of(as_of))
        if first and not today.replace(day=1) <= first <= today.replace(year=today.year + 20, day=1):
            raise Refused(
                tr("--month {text} must be from {first} on, at most twenty years ahead.", text=month, first=f"{today:%Y-%m}")
            )
        with run.opened(ws, outlook.TABLES, day_of(as_of)) as (store, day):
            left_out = promises.orders_left_out(store)
            unknown = [step for (step,) in store.rows("SELECT step FROM work.unknown_steps")]
            orders = promises.open_orders(store)
            of_age = promises.of_age(store)
            ahead = promises.promises(store)
            names = promises.Names({}, promises.grades(store))
            rows = store.rows(
                f"SELECT {', '.join(outlook.COLUMNS)} FROM projection ORDER BY shortfall DESC, rootstock, scion, month"
            )
            steps = outlook.plan(store, ws.settings, rootstock, scion, trees, first) if first and trees else []
            stands = outlook.what_stands(store, ws.settings, rootstock, scion)
    if first is None:
        if as_json:
            print_json(
                {
                    "as_of": day,
                    "projection": [dict(zip(outlook.COLUMNS, r, strict=True)) for r in rows],
                    "orders": [asdict(o) for o in orders],
                    "of_age": [asdict(f) | {"free": f.free} for f in of_age],
                    "orders_left_out": [{"code": code, "fault": fault} for code, fault in left_out],
                    "steps_without_a_rate": unknown,
                }
            )
        else:
            for _, fault in left_out:
                say(fault)
            _print_all(day, ahead, orders, names, unknown)
            if said := promises.free_says(of_age):
                say(said)
            for pair in dict.fromkeys(o.pair for o in orders):
                if grade := names.grades.get(pair):
                    say(grade.says(" + ".join(pair)))
            _print_ending(orders, is_any=bool(rows), is_left_out=bool(left_out))
        raise typer.Exit(1 if left_out or any(o.short for o in orders) else 0)
    pair = (rootstock, scion)
    grade = names.grades.get(pair)
    if trees is None:
        promise = promises.until(ahead.get(pair, []), first)
        of_pair = [o for o in orders if o.pair == pair]
        now = next((f for f in of_age if f.pair == pair), promises.OfAge(pair, 0, 0, 0))
        if as_json:
            asked_for = {"as_of": day, "rootstock": rootstock, "scion": scion, "month": month}
            said_of = {"promise": asdict(promise), "of_age": asdict(now) | {"free": now.free}, "stands": asdict(stands)}
            print_json(
                asked_for | said_of | {"orders": [asdict(o) for o in of_pair], "grade": asdict(grade) if grade else None}
            )
            return
        if grade:
            say(grade.says(" + ".join(pair)))
        _print_now(pair, now, promises.next_ready(ahead.get(pair, []), day.replace(day=1) - dt.timedelta(1)))
        if stands.groups or of_pair:
            _print_promise(first, promise)
        else:
            say(tr("No data: nothing of {pair} is budded, and none of it is ordered.", pair=" + ".join(pair)))
        _print_not_budded(rootstock, stands)
        _print_orders(of_pair, names)
        return
    sow = outlook.sow_by(ws.settings, first)
    if as_json:
        wanted = {"trees": trees, "rootstock": rootstock, "scion": scion, "month": month}
        is_late = {"too_late_to_sow": sow < day, "stands": asdict(stands)}
        print_json({**wanted, "sow_by": sow, **is_late, "steps": [asdict(s) for s in steps]})
        return
    say(
        tr(
            "For {trees} of {pair} ready by {day}, sow by {sow}.",
            trees=many(trees, "tree"),
            pair=" + ".join(pair),
            day=first,
            sow=sow,
        )
    )
    if grade:
        say(grade.says(" + ".join(pair)))
    _print_plan(steps, sow, day)
    if sow < day:
        _print_stands(" + ".join(pair), rootstock, stands, first)


def _print_all(
    day: dt.date, ahead: dict[tuple[str, str], list[Promise]], orders: Sequence[Order], names: Names, unknown: list[str]
) -> None:
    from pipeline.rates.outlook import step_words

    if unknown:
        say(
            tr(
                "Nothing has gone through these steps here yet: {steps}. So there are no data for them: no loss is counted in"
                " them, and where they are still ahead no band can be given.",
                steps=step_words(unknown),
            )
        )
    if ahead:
        say(
            tr(
                "Trees that will be ready from {day} on if nothing more is budded, all until that month, less what is usually"
                " lost before they go; ordered by then; and free, which no order wants, then or later. 80 % and 95 %: the"
                " number holds in 8 of 10, in 95 of 100 cases.",
                day=day,
            )
        )
        heads = (tr("pair"), tr("until"), tr("ready"), "80 %", "95 %", tr("ordered"), tr("free"), "80 %", "95 %")
        lines = [
            (names.pair(pair), short_month(p.month), p.ready, p.ready_80, p.ready_95, p.ordered, p.free, p.free_80, p.free_95)
            for pair, found in ahead.items()
            for p in found
        ]
        print_table(heads, lines)
    _print_orders(orders, names)


def _print_orders(orders: Sequence[Order], names: Names) -> None:
    from pipeline.rates.promises import chance_says

    if not orders:
        return
    say(tr("Open orders, the oldest first, as they are served. Of age: trees that stand for it and can go now."))
    heads = (
        *(tr("order"), tr("consignee"), tr("pair"), tr("wanted on"), tr("open"), tr("of age"), tr("ready by then")),
        *(tr("short"), tr("chance of enough"), tr("all ready in")),
    )
    rows = [
        (
            *(o.ref, o.consignee, names.pair(o.pair), o.wanted_on, o.open, o.of_age or None, o.ready or None, o.short or None),
            *(chance_says(o.chance), short_month(o.ready_in) if o.ready_in else tr("too few stand")),
        )
        for o in orders
    ]
    print_table(heads, rows)


def _print_ending(orders: Sequence[Order], is_any: bool, is_left_out: bool) -> None:
    short = [o for o in orders if o.short]
    if short:
        say(
            trn(
                "{n} open order falls short, by {trees}.",
                "{n} open orders fall short, by {trees} together.",
                len(short),
                trees=many(sum(o.short for o in short), "tree"),
            )
        )
    elif is_any:
        say(tr("No open order that could be read falls short.") if is_left_out else tr("No open order falls short."))
    else:
        say(tr("Nothing is on the way: no budded group stands and no order is open."))


def _print_now(pair: tuple[str, str], now: Any, coming: dt.date | None) -> None:
    """What stands of age, and when the next are ready."""
    name = " + ".join(pair)
    if now.trees:
        say(
            tr(
                "{pair}: of age now: {trees}, free of these: {free}.",
                pair=name,
                trees=many(now.trees, "tree"),
                free=number(now.free),
            )
        )
    elif coming:
        say(tr("{pair}: none stand that are of age; the next are ready in {month}.", pair=name, month=words.month(coming)))
    else:
        say(tr("{pair}: none stand that are of age, and none are on the way.", pair=name))


def _print_promise(first: dt.date, p: Promise) -> None:
    until = words.month(first)
    ready, free = number(p.ready), number(p.free)
    if not p.ready:
        say(tr("By {month} none will be ready; ordered until then: {ordered}.", month=until, ordered=number(p.ordered)))
        return
    if p.ready_80 is None or p.ready_95 is None:
        say(tr("By {month} about {n} will be ready; there are no data to say how sure that is.", month=until, n=ready))
    else:
        say(
            tr(
                "By {month} about {n} will be ready: {low} or more in 8 of 10 cases, {least} or more in 95 of 100.",
                month=until,
                n=ready,
                low=number(p.ready_80),
                least=number(p.ready_95),
            )
        )
    ordered = number(p.ordered)
    if p.free_80 is None or p.free_95 is None:
        say(tr("Ordered until then: {ordered}. Free to be promised: about {n}.", ordered=ordered, n=free))
    else:
        say(
            tr(
                "Ordered until then: {ordered}. Free to be promised: about {n}; {low} in 8 of 10 cases, {least} in 95 of 100.",
                ordered=ordered,
                n=free,
                low=number(p.free_80),
                least=number(p.free_95),
            )
        )


def _print_plan(steps: list[Any], sow: dt.date, day: dt.date) -> None:
    from pipeline.rates import outlook

    print_table(
        (
            *(tr("begin with"), tr("no later than"), tr("for 80 %"), tr("for 95 %"), tr("come through"), tr("by records")),
            *(tr("rate of"), tr("resting on")),
        ),
        [
            (
                tr(outlook.STEP_WORDS[s.step]),
                s.by or tr("no date yet"),
                s.at_80,
                s.at_95,
                words.percent(s.rate.known.share),
                words.percent(s.rate.recorded),
                tr("all of the nursery") if s.rate.level == "all" else s.rate.level,
                f"{many(s.rate.groups, 'group')}, {many(s.rate.began, 'plant')}",
            )
            for s in steps
        ],
    )
    say(
        tr(
            "80 % and 95 %: how sure it is that they are enough, with what is not known of the rates and how groups differ in"
            " it. Buds that fail are taken as lost; what is budded again comes on top. By records: what comes through if"
            " nothing went that nobody wrote down."
        )
    )
    late = [s for s in steps if s.by and s.by < day]
    if sow < day:
        say(tr("It is too late to sow now; trees for that month must come from what stands."))
    elif late:
        say(tr("The day for {step} is past.", step=tr(outlook.STEP_WORDS[late[0].step])))


def _print_stands(pair: str, rootstock: str, stands: Any, first: dt.date) -> None:
    """What there is of the pair, and when it will be ready."""
    if stands.groups:
        plants, groups = many(stands.plants, "plant"), many(stands.groups, "group")
        said = {"pair": pair, "plants": plants, "groups": groups}
        say(tr("Of {pair} now: {plants} in {groups}. Ready of it:", **said))
        rows = [
            (short_month(first_day(month)), n, *((tr("no data"), "") if low is None else (low, high)))
            for month, n, low, high in stands.ready
        ]
        print_table((tr("month"), tr("ready"), tr("from"), tr("to")), rows)
        until = sum(n for month, n, _, _ in stands.ready if month <= f"{first:%Y-%m}")
        say(
            tr(
                "By {month} that makes about {trees}, orders not taken off. From and to: 8 of 10 cases.",
                month=words.month(first),
                trees=many(until, "tree"),
            )
        )
    else:
        say(tr("Nothing of {pair} stands now.", pair=pair))
    _print_not_budded(rootstock, stands)


def _print_not_budded(rootstock: str, stands: Any) -> None:
    said = {"plants": many(stands.not_budded_plants, "plant"), "groups": many(stands.not_budded_groups, "group")}
    if not stands.not_budded_groups:
        say(tr("No plants of {rootstock} wait to be budded.", rootstock=rootstock))
    elif not stands.not_budded_ready:
        say(tr("Of {rootstock} not budded yet: {plants} in {groups}.", rootstock=rootstock, **said))
    else:
        begin, end = (words.month(first_day(month)) for month in stands.not_budded_ready)
        if begin == end:
            say(
                tr(
                    "Of {rootstock} not budded yet: {plants} in {groups}; trees of them can be ready in {month}.",
                    rootstock=rootstock,
                    month=begin,
                    **said,
                )
            )
        else:
            say(
                tr(
                    "Of {rootstock} not budded yet: {plants} in {groups}; trees of them can be ready from {begin} to {end}.",
                    rootstock=rootstock,
                    begin=begin,
                    end=end,
                    **said,
                )
            )
