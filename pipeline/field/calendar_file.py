"""What is due as a file for calendars (iCalendar, RFC 5545): all-day entries that leave the day free for other appointments."""

from __future__ import annotations

import datetime as dt
import hashlib
import json

from formpack.group_code import shown
from formpack.words import many, tr
from pipeline.field.due_list import DueList, Task
from pipeline.harmless import lines
from pipeline.tables import TASK_WORDS


def _uid(*parts: str) -> str:
    """The identity of an entry (RFC 5545, 3.8.4.7): the same things have the same one, so that a calendar which takes in a
    later file puts the new entry in the place of the old."""
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32] + "@formpack"


def calendar_file(nursery: str, due: DueList) -> bytes:
    """An entry for each day, task and place, with the groups in its description. What is late stands on the day of the list, in
    an entry of its own that moves on with that day until the task is done."""
    from icalendar import Calendar, Event

    entries: dict[tuple[dt.date, str, str, bool], list[Task]] = {}
    for t in due.tasks:
        entries.setdefault((max(t.due_on, due.day), t.task, t.place, t.days_over > 0), []).append(t)
    calendar = Calendar()
    calendar.add("prodid", "-//formpack//due//EN")
    calendar.add("version", "2.0")
    for (on, task, place, is_late), tasks in sorted(entries.items(), key=lambda entry: entry[0]):
        where, groups = lines(due.places.label(place)), many(len({t.group for t in tasks}), "group")
        said = {"task": tr(TASK_WORDS[task]), "place": where, "groups": groups}
        event = Event()
        event.add("uid", _uid(nursery, task, place, "late" if is_late else on.isoformat()))
        event.add("dtstamp", dt.datetime.combine(due.day, dt.time(), dt.UTC))
        event.add("dtstart", on)
        event.add(
            "summary", tr("Late: {task}, {place} ({groups})", **said) if is_late else tr("{task}, {place} ({groups})", **said)
        )
        event.add("location", where)
        event.add("description", lines("\n".join(_lines(due, tasks))))
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _lines(due: DueList, tasks: list[Task]) -> list[str]:
    who = "" if all(t.is_for_another for t in tasks) else tasks[0].person
    lines = [tr("Whose task it is: {person}.", person=due.name(who))] if who else []
    for t in sorted(tasks, key=lambda t: (t.due_on, t.group, t.order)):
        said = {"group": shown(t.group), "pair": t.pair, "what": due.what(t), "when": t.when}
        lines.append(tr("{group} {pair}: {what}, {when}.", **said) if t.pair else tr("{group}: {what}, {when}.", **said))
    return lines
