"""What the page shows, as frozen rows straight from the tables."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

from formpack.group_code import shown
from formpack.words import marked, tr, unpacked
from pipeline.findings import Rule
from pipeline.formulas.comparison import NOT_FROM
from pipeline.rates.losses import LEAST_AT_RISK
from pipeline.report.months import cause_words
from pipeline.report.round import Round, gather_round
from pipeline.report.stock import Course, Remainders, Stock, courses, gather_stock, in_stage, remainders
from pipeline.store import Store
from pipeline.tables import TASK_WORDS, names_of, notes_since
from pipeline.workspace import Workspace

STEP_WORDS = {
    "tray": marked("after trays"),
    "bag": marked("after bags"),
    "budded": marked("after budding"),
    "read": marked("after the reading"),
    "cut_back": marked("after cutting back"),
    "staked": marked("after staking"),
    "topped": marked("after topping"),
}
FLAGS = {
    "better": marked("better"),
    "worse": marked("worse"),
    "cannot be compared": marked("cannot be compared"),
    f"{NOT_FROM}batch": marked("cannot be told from batch {which}"),
    f"{NOT_FROM}batches": marked("cannot be told from batches {which}"),
    f"{NOT_FROM}scion": marked("cannot be told from scion {which}"),
    f"{NOT_FROM}scions": marked("cannot be told from scions {which}"),
    f"{NOT_FROM}rootstock": marked("cannot be told from rootstock {which}"),
    f"{NOT_FROM}rootstocks": marked("cannot be told from rootstocks {which}"),
    f"{NOT_FROM}team": marked("cannot be told from team {which}"),
    f"{NOT_FROM}teams": marked("cannot be told from teams {which}"),
    f"{NOT_FROM}month": marked("cannot be told from month {which}"),
    f"{NOT_FROM}months": marked("cannot be told from months {which}"),
}
"""What is said of teams and batches, as it stands in their tables: `flag_words` shows it."""
VERDICTS = {
    "as published": marked("as published"),
    "more than published": marked("more than published"),
    "fewer than published": marked("fewer than published"),
}
DAYS_TO_READING = {
    "before 18": marked("before 18"),
    "18 to 21": marked("18 to 21"),
    "22 to 28": marked("22 to 28"),
    "29 to 35": marked("29 to 35"),
    "after 35": marked("after 35"),
}
_AGES = (30, 100, 200, 300, 450, 540)
_STEPS = """
SELECT step, at_risk, lost, recorded, "left", survival, low, high, survival_recorded
FROM survival WHERE "by" = 'all' AND clock = 'stage'
"""
_TIMES = """
SELECT work, kind, units, plants, through, difference, low, high
FROM timeliness
ORDER BY work DESC, kind
"""
_OFF_TYPES = """
SELECT rootstock, lifted, off_type, share, low, high, published_low, published_high,
    coalesce(source, ''), coalesce(verdict, '')
FROM off_type
ORDER BY share DESC
"""
_RUNGS = "SELECT stage, lost, not_recorded, otherwise, despatched, in_the_books, standing, coalesce(lost_share, 0) FROM ladder"
_FROM_SEED = """
SELECT count(*), sum(seeds)::BIGINT, sum(emerged_all)::BIGINT, sum(lifted)::BIGINT, sum(planted)::BIGINT
FROM work.sowings WHERE seeds > 0 AND emerged_all IS NOT NULL AND lifted > 0 HAVING count(*) > 0
"""
_TESTS = 'SELECT "by", clock, levels, groups, p_value FROM survival_tests'


@dataclass(frozen=True)
class Share:
    """A rate with its interval and its two integers."""

    label: str
    count: int
    of: int
    rate: float
    low: float
    high: float
    lots: int = 0


@dataclass(frozen=True)
class Team:
    """A team's take as it is and as it would be with the nursery's whole mix; None where it cannot be compared."""

    label: str
    code: str
    lots: int
    count: int
    of: int
    rate: float
    low: float
    high: float
    adjusted: float | None
    adjusted_low: float | None
    adjusted_high: float | None
    q_value: float | None
    flag: str
    odds_ratio: float | None
    odds_low: float | None
    odds_high: float | None
    days: int
    buds_a_day: float


@dataclass(frozen=True)
class Point:
    """A point of a survival curve."""

    day: int
    at_risk: int
    survival: float
    low: float | None
    high: float | None
    by_records: float
    """The same by what was recorded alone."""


@dataclass(frozen=True)
class Timeliness:
    work: str
    kind: str
    units: int
    plants: int
    rate: float
    difference: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class OffType:
    label: str
    lifted: int
    off_type: int
    share: float
    low: float
    high: float
    published_low: float | None
    published_high: float | None
    source: str
    verdict: str


@dataclass(frozen=True)
class Rung:
    stage: str
    lost: int
    not_recorded: int
    otherwise: int
    despatched: int
    in_the_books: int
    standing: int
    lost_share: float


@dataclass(frozen=True)
class FromSeed:
    """The sowings that groups were opened from, where seeds and what came up of them are known: the same seed at each step."""

    sowings: int
    seeds: int
    emerged: int
    lifted: int
    planted: int


@dataclass(frozen=True)
class Test:
    by: str
    clock: str
    levels: int
    groups: int
    p_value: float


@dataclass(frozen=True)
class Step:
    stage: str
    at_risk: int
    lost: int
    recorded: int
    left: int
    survival: float
    low: float | None
    high: float | None
    by_records: float


@dataclass(frozen=True)
class Cause:
    label: str
    lost: int
    share: float
    by_stage: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Task:
    task: str
    group: str
    place: str
    plants: int
    due_on: dt.date
    days_over: int


@dataclass(frozen=True)
class Look:
    severity: str
    how_many: int
    example: str
    advice: str


@dataclass(frozen=True)
class GroupRow:
    group: str
    pair: str
    stage: str
    place: str
    opened_with: int
    book: int
    last_count: int | None
    last_count_on: dt.date | None
    estimate: int
    low: int
    high: int
    state: str


@dataclass(frozen=True)
class Note:
    day: dt.date
    form: str
    group: str
    person: str
    text: str


@dataclass(frozen=True)
class Figures:
    name: str
    day: dt.date
    states: dict[str, int]
    stock: Stock
    walk: Round
    courses: list[Course]
    steps: list[Step]
    causes: list[Cause]
    opened: int
    take: Share | None
    rho: float
    deff: float
    teams: list[Team]
    by_attempt: list[Share]
    by_days: list[Share]
    timeliness: list[Timeliness]
    in_time: tuple[int, int, int]
    """Earliest and latest day of a reading in time, and the day from which cutting back is late."""
    from_opening: list[Point]
    from_budding: list[Point]
    by_age: list[tuple[int, Point | None, Point | None]]
    """(day, from opening, from budding) of a few ages."""
    budded_share: float | None
    least_at_risk: int
    tests: list[Test]
    off_types: list[OffType]
    from_seed: FromSeed | None
    ladder: list[Rung]
    by_rootstock: list[Share]
    by_scion_take: list[Share]
    by_pair: list[Share]
    by_month: list[Share]
    late: list[Task]
    coming: list[Task]
    remainders: list[Remainders]
    looks: list[Look]
    old_lists: list[tuple[str, int]]
    """By person the submissions of the last 30 days that were made with an old list on the phone."""
    old_after: int
    """Days after which a list is old."""
    notes: list[Note]
    groups: list[GroupRow]


def flag_words(flag: str) -> str:
    """What is said of a team or a batch, in words."""
    if flag.startswith(NOT_FROM):
        what, _, which = flag.removeprefix(NOT_FROM).partition(" ")
        return tr(FLAGS.get(NOT_FROM + what, flag), which=which)
    return tr(FLAGS.get(flag, flag))


def _labels(store: Store) -> dict[str, str]:
    """What codes are called: rootstocks, scions, teams, places, causes."""
    found: dict[str, str] = {}
    for name in ("rootstocks", "scions", "teams", "locations"):
        found |= names_of(store, name)
    return found


def _shares(store: Store, by: str, names: dict[str, str]) -> list[Share]:
    rows = store.rows(
        "SELECT level, taken, read, take_rate, low, high, lots FROM take_rates"
        ' WHERE "by" = ? AND take_rate IS NOT NULL ORDER BY take_rate DESC, level',
        [by],
    )
    return [Share(" + ".join(names.get(x, x) for x in level.split("+")), *rest) for level, *rest in rows]


def _by_attempt(store: Store) -> list[Share]:
    shares = sorted(_shares(store, "attempt", {}), key=lambda s: s.label)
    final = tr("after all attempts so far")
    return [replace(s, label=final if s.label == "final" else tr("attempt {n}", n=s.label)) for s in shares]


def _teams(store: Store, names: dict[str, str]) -> list[Team]:
    rows = store.rows(
        "SELECT team_code, lots, taken, read, take_rate, low, high, adjusted, adjusted_low, adjusted_high, q_value,"
        " coalesce(flag, ''), odds_ratio, odds_low, odds_high, days, buds_a_day FROM teams WHERE take_rate IS NOT NULL"
        " ORDER BY coalesce(adjusted, 2) DESC, team_code"
    )
    return [Team(names.get(code, code), code, *rest) for code, *rest in rows]


def _curve(store: Store, clock: str) -> list[Point]:
    rows = store.rows(
        "SELECT step::INTEGER AS day, at_risk, survival, low, high, survival_recorded FROM survival"
        " WHERE \"by\" = 'all' AND clock = ? ORDER BY day",
        [clock],
    )
    return [Point(*row) for row in rows]


def _at(points: list[Point], day: int) -> Point | None:
    return next((p for p in points if p.day == day), None)


def _causes(store: Store, forms_words: dict[str, str]) -> list[Cause]:
    stages = store.rows("SELECT cause, stage, lost FROM loss_causes WHERE \"by\" = 'all' AND stage <> 'all'")
    return [
        Cause(forms_words.get(cause, cause), lost, share, tuple((s, n) for c, s, n in stages if c == cause))
        for cause, lost, share in store.rows(
            "SELECT cause, lost, share FROM loss_causes WHERE \"by\" = 'all' AND stage = 'all' ORDER BY lost DESC"
        )
    ]


def unread_buds(days: int) -> str:
    """A query for the buds of each group that were to be read by so many days from now, and were not."""
    return f"""
    SELECT l.group_code, sum(l.buds_set - coalesce(l.green + l.brown + l.missing, 0)) AS buds
    FROM work.lots l JOIN work.standing s USING (group_code), work.settings t, work.day d
    WHERE l.budded_on + t.bud_take <= d.as_of + {days} AND (l.read_on IS NULL OR (
        s.stage IN ('budded', 'read') AND l.green + l.brown + l.missing < t.lot_read_share * l.buds_set))
    GROUP BY l.group_code
    """


def _tasks(store: Store, names: dict[str, str], condition: str, by: int) -> list[Task]:
    rows = store.rows(
        "SELECT task, group_code, location, CASE task WHEN 'bud_take' THEN buds ELSE coalesce(trees, estimate) END::BIGINT,"
        f" due_on, days_over FROM due LEFT JOIN ({unread_buds(by)}) USING (group_code)"
        f" WHERE task NOT IN ('recount', 'clear_out') AND {condition} ORDER BY task, days_over DESC, group_code, order_ref"
    )
    order = list(TASK_WORDS)
    rows.sort(key=lambda r: order.index(r[0]))
    return [Task(tr(TASK_WORDS[t]), shown(g), names.get(p, p or ""), n, on, over) for t, g, p, n, on, over in rows]


_OLD_LISTS = """
SELECT staff_code, count(*) FROM work.accepted, work.settings t, work.day d
WHERE visit_date > d.as_of - 30 AND visit_date - list_date > t.old_list_days GROUP BY ALL ORDER BY 2 DESC, 1
"""


def _looks(store: Store) -> list[Look]:
    rows = store.rows("SELECT severity, rule, count(*), min(message) FROM problems GROUP BY severity, rule")
    order = list(Rule.__members__)
    rows.sort(key=lambda r: (r[0] != "stop", order.index(r[1])))
    return [Look(s, n, unpacked(example), tr(Rule[rule].advice)) for s, rule, n, example in rows]


def _notes(store: Store, workspace: Workspace, names: dict[str, str]) -> list[Note]:
    """What people wrote in the last seven days."""
    day = store.value("SELECT as_of FROM work.day")
    rows = notes_since(store, workspace.forms, day - dt.timedelta(days=6), day)
    titles = {form_id: form.title_spoken.split(" / ")[0] for form_id, form in workspace.forms.items()}
    return [Note(on, titles[f], shown(g) if g else "", names.get(who, who or ""), said) for on, f, g, who, said in rows]


def _groups(store: Store, names: dict[str, str]) -> list[GroupRow]:
    rows = store.rows(
        "SELECT group_code, rootstock, scion, stage, location, opened_with, book_count, last_count, last_count_on,"
        " estimate, low, high, state FROM standing WHERE stage <> 'gone' OR state <> 'ok' ORDER BY group_code"
    )
    return [
        GroupRow(shown(g), " / ".join(names.get(x, x) for x in (r, s) if x), in_stage(st), names.get(p, p or ""), *rest)
        for g, r, s, st, p, *rest in rows
    ]


def gather(store: Store, workspace: Workspace) -> Figures:
    """Everything the page needs, from the tables as they are now."""
    from pipeline.run import counts_of_states

    names, names_of_staff = _labels(store), names_of(store, "staff")
    opening, budding = _curve(store, "days_from_opening"), _curve(store, "days_from_budding")
    overall = _shares(store, "all", {})
    return Figures(
        name=workspace.settings.name,
        day=store.value("SELECT as_of FROM work.day"),
        states=counts_of_states(store),
        stock=gather_stock(store),
        walk=gather_round(store, workspace.settings.walk, workspace.settings.walk.hours),
        courses=courses(store),
        steps=[Step(*row) for row in store.rows(_STEPS)],
        causes=_causes(store, cause_words()),
        opened=store.value("SELECT coalesce(sum(quantity), 0)::BIGINT FROM movements WHERE kind = 'opened'"),
        take=overall[0] if overall else None,
        rho=store.value("SELECT rho FROM work.take_spread") or 0.0,
        deff=store.value("SELECT deff FROM take_rates WHERE \"by\" = 'all'") or 1.0,
        teams=_teams(store, names),
        by_attempt=_by_attempt(store),
        by_days=sorted(_shares(store, "days", {}), key=lambda s: (s.label == "after 35", s.label != "before 18", s.label)),
        timeliness=[Timeliness(w, k, u, n, y / n, *rest) for w, k, u, n, y, *rest in store.rows(_TIMES)],
        in_time=store.rows("SELECT earliest_bud_take, latest_bud_take, 2 * cut_back + 1 FROM work.settings")[0],
        from_opening=opening,
        from_budding=budding,
        by_age=[(day, _at(opening, day), _at(budding, day)) for day in _AGES if _at(opening, day) or _at(budding, day)],
        budded_share=store.value(
            "SELECT (SELECT sum(buds_set) FROM work.budded_from) / nullif(sum(buds_set), 0) FROM work.lots WHERE attempt = 1"
        ),
        least_at_risk=LEAST_AT_RISK,
        tests=[Test(*row) for row in store.rows(_TESTS)],
        off_types=[OffType(names.get(r, r), *rest) for r, *rest in store.rows(_OFF_TYPES)],
        from_seed=next((FromSeed(*row) for row in store.rows(_FROM_SEED)), None),
        ladder=[Rung(*row) for row in store.rows(_RUNGS) if row[0] not in ("seed", "seedbed")],
        by_rootstock=_shares(store, "rootstock", names),
        by_scion_take=_shares(store, "scion", names),
        by_pair=_shares(store, "rootstock+scion", names),
        by_month=sorted(_shares(store, "month", {}), key=lambda s: s.label),
        late=_tasks(store, names, "days_over > 0", -1),
        coming=_tasks(store, names, "days_over BETWEEN -7 AND 0", 7),
        remainders=remainders(store, names),
        looks=_looks(store),
        old_lists=[(names_of_staff.get(who, who), n) for who, n in store.rows(_OLD_LISTS)],
        old_after=workspace.settings.tolerances.old_list_days,
        notes=_notes(store, workspace, names),
        groups=_groups(store, names),
    )
