"""What the receiver has seen today, as a page for the clerk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

from formpack.words import listed, many, number, short_day, tr, trn, unpacked
from pipeline.report.blocks import Block, Chapter, Column, Figure, Figures, Says, Table

if TYPE_CHECKING:
    from pipeline.field.receiver.importer import Importer
    from pipeline.field.receiver.seen import Day


def _time(at: str) -> str:
    return at[11:16]


def phones_html(
    nursery: str,
    day: Day,
    importer: Importer,
    waiting: int,
    lists_of: dt.datetime | None,
    people: Collection[str],
    labels: Mapping[str, str],
) -> str:
    """The page. `lists_of` is when the lists in phone/ were written, `people` are those who can send, `labels` what people and
    forms are called."""
    from pipeline.report.page import page_html

    sent = sum(day.forms.values())
    figures = [
        Figure(tr("Sent today"), number(sent), trn("by {n} person", "by {n} people", len({p for p, _ in day.visitors}))),
        Figure(tr("Waiting to be imported"), number(waiting)),
        Figure(tr("Problems"), number(day.many_problems)),
    ]
    first: list[Block] = [Figures(figures), *_imports(importer), *_lists(lists_of)]
    chapters = [c for c in (_problems(day, labels), _people(day, people, labels), _forms(day, labels)) if c]
    return page_html(
        nursery, dt.date.fromisoformat(day.date), Chapter("first", tr("Today"), first), chapters, about=tr("Phones today")
    )


def _imports(importer: Importer) -> list[Block]:
    said: list[Block] = []
    if importer.refused:
        said.append(Says(tr("The last import could not be done: {why}", why=importer.refused), "stop"))
    elif importer.ended_at:
        new = importer.last.get("new_submissions", 0)
        submissions = many(new, "new submission")
        said.append(Says(tr("Imported at {time}: {submissions}.", time=_time(importer.ended_at), submissions=submissions)))
        if found := importer.last.get("stops", 0) + importer.last.get("notes", 0):
            say = trn(
                "{n} finding is open in the books; `formpack problems` lists it with what to do.",
                "{n} findings are open in the books; `formpack problems` lists them with what to do.",
                found,
            )
            said.append(Says(say))
    said += [Says(left, "stop") for left in importer.last.get("left_waiting", ())]
    if not importer.minutes:
        said.append(Says(tr("Nothing is imported by itself: `formpack import` does it.")))
    elif importer.is_running:
        said.append(Says(tr("An import is running.")))
    return said


def _lists(lists_of: dt.datetime | None) -> list[Block]:
    if lists_of is None:
        return [Says(tr("There are no lists for phones yet: run `formpack forms`."), "stop")]
    day, time = short_day(lists_of.date()), f"{lists_of:%H:%M}"
    return [Says(tr("The lists that phones fetch are of {day}, {time}.", day=day, time=time))]


def _problems(day: Day, labels: Mapping[str, str]) -> Chapter | None:
    if not day.problems:
        return None
    columns = (Column(tr("at")), Column(tr("who")), Column(tr("phone")), Column(tr("what")))
    rows = [[_time(e.at), labels.get(e.person, e.person), e.device, unpacked(e.about)] for e in reversed(day.problems)]
    says = trn("{n} thing to look at.", "{n} things to look at.", day.many_problems)
    return Chapter("problems", tr("Problems"), [Table("problems", tr("Problems today"), columns, rows)], says)


def _people(day: Day, people: Collection[str], labels: Mapping[str, str]) -> Chapter | None:
    """Everybody who can send, or was here today: those who have not fetched the list first."""
    columns = (
        Column(tr("who")),
        Column(tr("phone")),
        Column(tr("sent"), "number"),
        Column(tr("group list fetched")),
        Column(tr("last seen")),
    )
    rows = []
    for person in {*people, *(person for person, _ in day.visitors)}:
        seen = [v for (who, _), v in sorted(day.visitors.items()) if who == person]
        phones = listed([v.device for v in seen if v.device])
        fetched, last = (max(times, default="") for times in ([v.fetched for v in seen], [v.last for v in seen]))
        sent = sum(v.submissions for v in seen)
        rows.append((labels.get(person, person), phones, sent, _time(fetched), _time(last)))
    if not rows:
        return None
    rows.sort(key=lambda row: (bool(row[3]), row[0]))
    says = tr("All have fetched the group list today.")
    if without := sum(not row[3] for row in rows):
        says = trn(
            "{n} person has not fetched the group list today.", "{n} people have not fetched the group list today.", without
        )
    return Chapter("people", tr("People and phones"), [Table("people", tr("People and phones today"), columns, rows)], says)


def _forms(day: Day, labels: Mapping[str, str]) -> Chapter | None:
    if not day.forms:
        return None
    columns = (Column(tr("form")), Column(tr("sent"), "number"))
    rows = [[labels.get(form, form), n] for form, n in sorted(day.forms.items(), key=lambda one: (-one[1], one[0]))]
    total = [tr("all"), sum(day.forms.values())]
    return Chapter("forms", tr("Forms"), [Table("forms", tr("Sent today, by form"), columns, rows, total)])
