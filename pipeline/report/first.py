"""What the first screen says: what to do, ranked by what is at stake in plants."""

from __future__ import annotations

import math
from dataclasses import dataclass

from formpack.group_code import shown
from formpack.words import listed, many, number, percent, tr, trn
from pipeline.rates.promises import orders_to_meet
from pipeline.report.blocks import Block, Chapter, Figure, Figures, Fold, Item, Items, Says
from pipeline.report.chapters import batches, places
from pipeline.report.figures import Figures as Report
from pipeline.report.figures import unread_buds
from pipeline.report.held_back import hidden_changes, hidden_groups
from pipeline.report.money import cost_of_last_month, in_money
from pipeline.report.months import Headline, gather_months, headlines
from pipeline.report.stock import Recount
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.tables import TASK_WORDS
from pipeline.workspace import Workspace

_NAMED = 3
"""Groups that a sentence names; more are counted."""
_LATE = f"""
SELECT task, count(*), sum(CASE task WHEN 'bud_take' THEN buds ELSE estimate END)::BIGINT, max(days_over),
    list(group_code ORDER BY days_over DESC, group_code)
FROM due LEFT JOIN ({unread_buds(-1)}) USING (group_code)
WHERE days_over > 0 AND task NOT IN ('recount', 'clear_out', 'despatch')
GROUP BY task
"""
_TEAMS = """
WITH rated AS (SELECT team_code, adjusted, read FROM teams WHERE adjusted IS NOT NULL),
of_year AS (
    SELECT l.team_code, sum(l.green + l.brown + l.missing)::BIGINT AS read
    FROM work.lots l, work.day d
    WHERE l.read_on > d.as_of - 365
    GROUP BY l.team_code
)
SELECT t.team_code, coalesce(n.label, t.team_code), t.adjusted, y.read,
    (SELECT sum(r.adjusted * r.read) / sum(r.read) FROM rated r WHERE r.team_code <> t.team_code) AS others
FROM teams t
JOIN of_year y USING (team_code)
LEFT JOIN work.list_teams n ON n.code = t.team_code
WHERE t.flag = 'worse'
ORDER BY t.team_code
"""


@dataclass(frozen=True)
class ToDo:
    """One thing to do: a sentence, where the page says more, the plants at stake, and what these are in a few words. `stake`
    is 0 where nobody can say what it costs; such things come last, the most plants (`waiting`) first."""

    text: str
    href: str
    stake: int
    says: str
    waiting: int = 0


def ranked(found: list[ToDo]) -> list[ToDo]:
    """The most at stake first."""
    return sorted(found, key=lambda t: (-t.stake, -t.waiting, t.text))


def kept_out(store: Store) -> list[ToDo]:
    """Groups whose records are kept out or wait, with the plants that are not in the numbers; and what would change others."""
    found = []
    plants, groups, which = hidden_groups(store)
    if groups:
        text = trn(
            "Put right what is kept out: {n} plant of {groups} is in none of these numbers: {which}.",
            "Put right what is kept out: {n} plants of {groups} are in none of these numbers: {which}.",
            plants,
            groups=many(groups, "group"),
            which=which,
        )
        found.append(ToDo(text, "#look", plants, tr("{plants} hidden", plants=many(plants, "plant"))))
    plants, groups = hidden_changes(store)
    if groups:
        text = tr(
            "Put right records that are kept out or wait: they take out or move {plants} of {groups}.",
            plants=many(plants, "plant"),
            groups=many(groups, "group"),
        )
        found.append(ToDo(text, "#look", plants, many(plants, "plant")))
    return found


def count_again(recounts: list[Recount]) -> list[ToDo]:
    """Groups whose number is in doubt, the most doubtful named; their doubts are independent."""
    if not recounts:
        return []
    names = [f"{r.group} ({r.place})" if r.place else r.group for r in recounts]
    text = trn(
        "Count {n} group again: {names}.", "Count {n} groups again: {names}.", len(recounts), names=listed(names, _NAMED)
    )
    doubt = round(math.hypot(*(r.doubt for r in recounts)))
    return [ToDo(text, "#again", doubt, tr("{plants} in doubt", plants=many(doubt, "plant")))]


def teams_to_help(store: Store) -> list[ToDo]:
    """Teams that are flagged, with the buds of a year that others would have had."""
    found = []
    for _, label, adjusted, read, others in store.rows(_TEAMS):
        lost = round((others - adjusted) * read) if others else 0
        text = tr(
            "Help {team}: with the same work {share} of its buds would take, and {others} of those of the others.",
            team=label,
            share=percent(adjusted),
            others=percent(others or 0.0),
        )
        found.append(ToDo(text, "#take", lost, tr("{buds} buds a year", buds=lost)))
    return found


def late_work(store: Store) -> list[ToDo]:
    """Late tasks by kind. What lateness costs is not known, so they are ranked by the plants, or buds to be read, that wait."""
    found = []
    for task, groups, plants, days, codes in store.rows(_LATE):
        text = trn(
            "{task}: {n} group is late, by {days}: {names}.",
            "{task}: {n} groups are late, by up to {days}: {names}.",
            groups,
            task=tr(TASK_WORDS[task]),
            days=many(days, "day"),
            names=listed([shown(code) for code in codes], _NAMED),
        )
        waiting = many(plants, "bud" if task == "bud_take" else "plant")
        found.append(ToDo(text, "#due", 0, tr("{plants} wait", plants=waiting), plants))
    return found


_SHOWN = 9
"""Things to do on the first screen; the rest is folded."""


def orders(store: Store, settings: Settings) -> list[ToDo]:
    """Orders that can go, or cannot be met."""
    return [
        ToDo(o.says, o.href, o.trees, _with_money(many(o.trees, "tree"), in_money(settings, o.trees, pair=o.pair)))
        for o in orders_to_meet(store)
    ]


def out_of_line(store: Store) -> list[ToDo]:
    """Houses and batches that do worse than what they were given explains."""
    found = [*places.out_of_line(store), *batches.out_of_line(store)]
    return [ToDo(o.sentence, o.href, o.plants, many(o.plants, "plant")) for o in found]


def _with_money(plants: str, money: str | None) -> str:
    return tr("{plants}, {money}", plants=plants, money=money) if money else plants


def first_screen(store: Store, workspace: Workspace, f: Report) -> Chapter:
    """The four large numbers, and what to do, the most at stake first."""
    settings = workspace.settings
    found = ranked(
        [
            *orders(store, settings),
            *kept_out(store),
            *count_again(f.stock.recounts),
            *teams_to_help(store),
            *out_of_line(store),
            *late_work(store),
        ]
    )
    items = [Item(t.text, t.href, t.says) for t in found]
    large = headlines(gather_months(store))
    blocks: list[Block] = [Figures([_large(h) for h in large])] if large else [Says(tr("No group has been opened yet."))]
    if cost := cost_of_last_month(store, settings):
        blocks.append(Says(cost, href="#money"))
    blocks.append(Items(items[:_SHOWN]) if items else Says(tr("There is nothing that has to be done.")))
    if more := items[_SHOWN:]:
        blocks.append(Fold(trn("{n} thing more to do", "{n} things more to do", len(more)), [Items(more, start=_SHOWN + 1)]))
    return Chapter("first", tr("What to do"), blocks, says=tr("{name}: what stands on {day}", name=f.name, day=f.day))


def _large(h: Headline) -> Figure:
    """A headline as it stands on the page."""
    value = tr("none") if h.value is None else percent(h.value) if h.kind == "share" else number(h.value)
    return Figure(h.label, value, h.beside, [h.change_last.says, h.change_year.says])
