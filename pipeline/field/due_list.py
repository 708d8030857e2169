"""What is due, and whose task it is: who looks after the place, and of buds to be read the teams that set them."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from formpack.words import either, listed, many, many_of, marked, short_day, tr, trn
from pipeline.book.discrepancies import counters
from pipeline.rates.promises import Names
from pipeline.store import Store
from pipeline.tables import TASK_WORDS, known_code, names_of

TABLES = (
    *("due", "day", "standing", "counts", "unread_lots", "list_rows", "list_locations", "list_staff", "list_teams"),
    *("list_rootstocks", "list_scions", "list_compatibility", "treatments"),
)
"""The tables that this rests on."""

TO_DO = {
    "bud_take": many_of("{n} to read", "{n} to read"),
    "cut_back": many_of("{n} to cut back", "{n} to cut back"),
    "stake": many_of("{n} to stake", "{n} to stake"),
    "top": many_of("{n} to top", "{n} to top"),
    "despatch": many_of("{n} to despatch", "{n} to despatch"),
    "stock_count": many_of("{n} to count", "{n} to count"),
    "recount": many_of("{n} to count again", "{n} to count again"),
    "clear_out": many_of("{n} to clear out", "{n} to clear out"),
}
"""Groups with a task, in few words."""


@dataclass(frozen=True)
class Task:
    """A row of the table `due`, of a group (eight digits) at a place (a code, '' where none is known). `person` is a code of
    the staff, '' where nobody is named; `teams` are codes, of buds to be read alone; `not_by` are codes of who counted
    last, of a group to be counted again alone: somebody else is to do it."""

    group: str
    task: str
    due_on: dt.date
    days_over: int
    place: str
    plants: int
    order: str
    trees: int | None
    pair: str
    person: str
    teams: tuple[str, ...]
    not_by: tuple[str, ...] = ()
    buds: int | None = None
    """Set by the team that was asked for, and not read."""

    @property
    def concerned(self) -> int:
        """How many plants it is about: of buds to be read only those of the team that was asked for."""
        return self.trees or min(self.plants, self.buds or self.plants)

    @property
    def is_for_another(self) -> bool:
        """Whether it is to be done by somebody else than who looks after the place."""
        return self.person in self.not_by

    @property
    def when(self) -> str:
        """`by 5 Nov 2026`, `today`, `late since 3 Oct 2026`."""
        day = short_day(self.due_on)
        if self.days_over > 0:
            return tr("late since {day}", day=day)
        return tr("by {day}", day=day) if self.days_over < 0 else tr("today")


UNKNOWN_DAYS = 30
"""Days for which a place is told of where the record of its treatment does not say how long nobody goes in (common practice, no
published source)."""


@dataclass(frozen=True)
class Closed:
    """A place (a code) that nobody goes into until a day and a time of it, as was taken from the label of a treatment; None
    where the record of the treatment does not say it in a way that can be read."""

    place: str
    until_on: dt.date | None
    until_at: str | None
    treated_on: dt.date


@dataclass(frozen=True)
class Places:
    """The places of the list: what each is called, what it is part of (''), and whose it is by its own row ('')."""

    labels: Mapping[str, str]
    part_of: Mapping[str, str] = field(default_factory=dict)
    named: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def read(cls, store: Store) -> Places:
        """All that the list has, or had."""
        rows = store.rows("SELECT code, label, part_of, looked_after_by FROM work.list_locations")
        labels = {code: label or code for code, label, *_ in rows}
        return cls(labels, {row[0]: row[2] or "" for row in rows}, {row[0]: row[3] or "" for row in rows})

    def label(self, place: str) -> str:
        return self.labels.get(place) or place or tr("no place given")

    def way(self, place: str) -> list[str]:
        """The place, what it is part of, and so on to its house. One whose way goes in a circle is its own, as in `houses`."""
        found = [place]
        while (holder := self.part_of.get(found[-1], "")) in self.labels:
            if holder in found:
                return [place]
            found.append(holder)
        return found

    def person(self, place: str) -> str:
        """Who looks after the place, by its own row or that of the nearest place it is part of; '' where nobody is named."""
        return next((self.named[p] for p in self.way(place) if self.named.get(p)), "")

    def walk(self, place: str) -> tuple[bool, list[list[tuple[str, int]]]]:
        """By this places are put in the order of a walk: house by house, 2 before 10; where no place is known comes last."""
        steps = [re.findall(r"(\D*)(\d*)", code) for code in reversed(self.way(place))]
        return not place, [[(text, int(number or -1)) for text, number in step] for step in steps]


@dataclass(frozen=True)
class Wanted:
    """Which tasks are asked for: by a code of the staff, of a team, of a place; '' asks for all."""

    person: str = ""
    team: str = ""
    place: str = ""
    task: str = ""
    days: int = 7

    @property
    def is_narrow(self) -> bool:
        """Whether only some people's or places' tasks are asked for."""
        return bool(self.person or self.team or self.place)


@dataclass(frozen=True)
class DueList:
    """The tasks that were asked for, late ones first, and what the codes in them are called."""

    day: dt.date
    tasks: tuple[Task, ...]
    places: Places
    staff: Mapping[str, str]
    teams: Mapping[str, str]
    not_active: frozenset[str]
    """People who are not active, or gone from the list of staff."""
    team: str = ""
    """The team that was asked for."""
    member_of: tuple[str, ...] = ()
    """The teams of the person who was asked for."""
    closed: tuple[Closed, ...] = ()
    """Places of which what was asked for is a part, or which are a part of that, or all."""

    @cached_property
    def walk(self) -> list[Task]:
        """The tasks in the order of a walk, those of a group together."""
        walks = {place: self.places.walk(place) for place in {t.place for t in self.tasks}}
        return sorted(self.tasks, key=lambda t: (walks[t.place], t.group, t.due_on, t.task, t.order))

    @cached_property
    def by_person(self) -> dict[str, list[Task]]:
        """Each person's tasks in the order of a walk; nobody's ('') last."""
        found: dict[str, list[Task]] = {}
        for task in self.walk:
            found.setdefault(task.person, []).append(task)
        return {person: found[person] for person in sorted(found, key=lambda p: (not p, self.name(p), p))}

    def name(self, person: str) -> str:
        """What a person is called."""
        return self.staff.get(person) or person or tr("nobody named")

    def what(self, task: Task) -> str:
        """What to do, without how many plants stand there: `Despatch 86 trees for order O030`, `Read the buds (Team 2)`."""
        said = tr(TASK_WORDS[task.task])
        if task.task == "despatch" and task.order:
            return tr("Despatch {trees} for order {order}", trees=many(task.trees or 0, "tree"), order=task.order)
        if task.not_by:
            return tr("{task}, not by {people}", task=said, people=either(map(self.name, task.not_by)))
        teams = listed(self.teams.get(team, team) for team in task.teams)
        return tr("{task} ({teams})", task=said, teams=teams) if teams else said

    @property
    def warnings(self) -> list[str]:
        """Sentences on the places that are not to be entered."""
        said = marked(
            "{place}: not to be entered until {day} {time}, as was taken from the label of the treatment of {treated}. The"
            " label itself and local rules decide."
        )
        unknown = marked(
            "{place}: treated on {treated}; until when nobody goes in cannot be read from its record. The label itself and"
            " local rules decide."
        )
        return [
            tr(
                said if c.until_on else unknown,
                place=self.places.label(c.place),
                day=c.until_on and short_day(c.until_on),
                time=c.until_at,
                treated=short_day(c.treated_on),
            )
            for c in self.closed
        ]

    @property
    def doubts(self) -> list[str]:
        """Sentences about people who are named and cannot do it."""
        found = []
        for person in self.by_person:
            where = listed(sorted(self.places.label(p) for p, who in self.places.named.items() if who == person), 5)
            said = {"person": self.name(person), "code": person, "places": where}
            if person and person not in self.staff:
                found.append(tr("{code}, who looks after {places}, is not in lists/staff.csv; name somebody who is.", **said))
            elif person in self.not_active:
                more = tr(
                    "{person} ({code}), who looks after {places}, is not active in lists/staff.csv; name somebody else.", **said
                )
                found.append(more)
        return found

    @property
    def nobody(self) -> str:
        """A sentence on the tasks of nobody, and how to name somebody; '' where there are none."""
        tasks = self.by_person.get("", [])
        if not tasks:
            return ""
        return trn(
            "Nobody is named for {n} task, in {places}: write a staff code as looked_after_by of the place, or of its house,"
            " in lists/locations.csv.",
            "Nobody is named for {n} tasks, in {places}: write a staff code as looked_after_by of the place, or of its house,"
            " in lists/locations.csv.",
            len(tasks),
            places=listed(dict.fromkeys(self.places.label(t.place) for t in tasks), 5),
        )


def due_list(store: Store, wanted: Wanted) -> DueList:
    """What is due by so many days after the day of the store. Raises Refused where a code is not known."""
    places, names = Places.read(store), Names.read(store)
    staff, teams = names_of(store, "staff"), names_of(store, "teams")
    for option, code, known, list_name in (
        ("--person", wanted.person, staff | {p: p for p in places.named.values() if p}, "staff"),
        ("--team", wanted.team, teams, "teams"),
        ("--place", wanted.place, places.labels, "locations"),
    ):
        known_code(option, code, known, list_name)
    lapsed = store.rows(
        "SELECT code FROM work.list_rows WHERE list_name = 'staff' AND (NOT is_listed OR inactive_since IS NOT NULL)"
    )
    unread: dict[str, dict[str, int]] = {}
    for group, team, buds in store.rows(
        "SELECT group_code, team_code, sum(buds)::BIGINT FROM work.unread_lots WHERE team_code IS NOT NULL"
        " GROUP BY ALL ORDER BY ALL"
    ):
        unread.setdefault(group, {})[team] = buds
    everybody = counters(store)
    counted = {
        group: tuple(sorted(codes.split()))
        for group, codes in store.rows("SELECT group_code, staff_codes FROM work.counts WHERE is_last")
        if codes and everybody - set(codes.split())
    }
    found = []
    for group, task, on, over, place, plants, order, trees, stock, scion, mix in store.rows(
        "SELECT d.*, s.rootstock, s.scion, s.mix FROM work.due d JOIN work.standing s USING (group_code)"
        " WHERE days_over >= -$1 AND ($2 = '' OR task = $2) ORDER BY days_over DESC, task, group_code, order_ref",
        [wanted.days, wanted.task],
    ):
        pair = names.growing(stock, scion, bool(mix))
        groups_teams = unread.get(group, {}) if task == "bud_take" else {}
        person = places.person(place or "")
        is_asked = (
            wanted.person in ("", person)
            and (not wanted.team or wanted.team in groups_teams)
            and (not wanted.place or wanted.place in places.way(place or ""))
        )
        if is_asked:
            not_by = counted.get(group, ()) if task == "recount" else ()
            whose = (person, tuple(groups_teams), not_by, groups_teams.get(wanted.team))
            found.append(Task(group, task, on, over, place or "", plants, order or "", trees, pair, *whose))
    day = store.value("SELECT as_of FROM work.day")
    member_of = store.rows(
        "SELECT code FROM work.list_teams WHERE $1 IN (budder, wrapper) AND code IN ("
        "SELECT code FROM work.list_rows WHERE list_name = 'teams' AND is_listed AND inactive_since IS NULL) ORDER BY code",
        [wanted.person],
    )
    lapsed_staff, of_person = frozenset(code for (code,) in lapsed), tuple(code for (code,) in member_of)
    closed = tuple(c for c in _closed(store) if not wanted.place or _is_near(places, wanted.place, c.place))
    return DueList(day, tuple(found), places, staff, teams, lapsed_staff, wanted.team, of_person, closed)


def _closed(store: Store) -> list[Closed]:
    """The places that are not to be entered on the day of the store, each with the latest time; treatments that are kept out of
    the books are among them, and one without a time lasts the day. Where a record has no day that can be read, the place is
    among them for `UNKNOWN_DAYS`, beside what others say of it."""
    rows = store.rows(
        "SELECT location, reentry_on, CASE WHEN reentry_on IS NOT NULL THEN coalesce(reentry_at, '23:59') END AS until_at,"
        " on_date FROM treatments, work.day WHERE (reentry_on >= as_of OR (reentry_on IS NULL AND on_date > as_of - $1))"
        " AND on_date <= as_of AND location IS NOT NULL"
        " QUALIFY row_number() OVER (PARTITION BY location, reentry_on IS NULL ORDER BY reentry_on DESC, until_at DESC,"
        " on_date DESC) = 1 ORDER BY location, reentry_on NULLS FIRST",
        [UNKNOWN_DAYS],
    )
    return [Closed(*row) for row in rows]


def _is_near(places: Places, place: str, other: str) -> bool:
    """Whether one of two places is a part of the other."""
    return place in places.way(other) or other in places.way(place)


def _by_count(tasks: Iterable[Task]) -> str:
    """`2 to count, 1 to read`: how many groups have each task."""
    groups: dict[str, set[str]] = {}
    for t in tasks:
        groups.setdefault(t.task, set()).add(t.group)
    return ", ".join(trn(*TO_DO[task], len(groups[task])) for task in TO_DO if task in groups)


def due_today(store: Store) -> tuple[dict[str, str], dict[str, str]]:
    """What is due by the day of the store, in words: of each group, and of each place with all that is part of it."""
    found = due_list(store, Wanted(days=0))
    of_groups: dict[str, set[str]] = {}
    of_places: dict[str, list[Task]] = {}
    for t in found.tasks:
        of_groups.setdefault(t.group, set()).add(t.task)
        for place in found.places.way(t.place) if t.place else ():
            of_places.setdefault(place, []).append(t)
    said = marked("{place} not to be entered until {day} {time}, as was taken from the label of the treatment")
    unknown = marked("{place} treated on {treated}, look at the label before you go in")
    told: dict[str, list[str]] = {place: [_by_count(tasks)] for place, tasks in of_places.items()}
    for c in reversed(found.closed):
        day = c.until_on and short_day(c.until_on)
        when = {"day": day, "time": c.until_at, "treated": short_day(c.treated_on)}
        words = tr(said if day else unknown, place=found.places.label(c.place), **when)
        for place in {*found.places.labels, c.place}:
            if _is_near(found.places, place, c.place):
                told.setdefault(place, []).insert(0, words)
    groups = {group: ", ".join(tr(TASK_WORDS[task]) for task in TO_DO if task in tasks) for group, tasks in of_groups.items()}
    return groups, {place: "; ".join(lines) for place, lines in told.items()}
