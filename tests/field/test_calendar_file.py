"""The calendar file, held against RFC 5545 (September 2009) by its text and by two libraries that read it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import icalendar
import vobject

from pipeline.field.calendar_file import calendar_file
from pipeline.field.due_list import DueList, Places, Task

DAY = dt.date(2026, 11, 2)
LABELS = {"H1": "Gewächshaus 1 \\ 2; Nord, „Süd“\nhinten", "Y1": "Yard 1", "Y2": "Pátio " + "muito comprido, " * 8}
TASKS = (("H1", "stock_count", 3), ("H1", "stock_count", -2), ("Y1", "bud_take", 0), ("Y1", "bud_take", 0), ("Y2", "top", 7))


def _due(day: dt.date = DAY, tasks: tuple[tuple[str, str, int], ...] = TASKS) -> DueList:
    """Tasks by place, kind and the days that they are due after the 2nd, groups 26-0801-.. in their order."""
    found = []
    for number, (place, kind, after) in enumerate(tasks):
        on = DAY + dt.timedelta(days=after)
        pair, teams = "Carrizo / Tahiti, dwarf", ("T02",) if kind == "bud_take" else ()
        found.append(Task(f"2608{number:04}", kind, on, (day - on).days, place, 987, "", None, pair, "S01", teams))
    return DueList(day, tuple(found), Places(LABELS), {"S01": "Åsa; Ö"}, {"T02": "Team 2"}, frozenset())


def _events(text: bytes) -> list[Any]:
    return icalendar.Calendar.from_ical(text).walk("VEVENT")


def test_it_is_a_calendar_by_rfc_5545() -> None:
    text = calendar_file("Nursery", _due())
    lines = text.split(b"\r\n")
    assert lines.pop() == b"" and not any(b"\n" in line or b"\r" in line for line in lines)  # 3.1: CRLF ends a line
    assert max(map(len, lines)) <= 75  # 3.1: octets, without the break
    assert any(line.startswith(b" ") for line in lines), "long ones are folded"
    head = [line for line in lines if line.startswith((b"PRODID:", b"VERSION:"))]
    assert len(head) == 2 and b"VERSION:2.0" in head  # 3.6: both are required, once
    read = vobject.readOne(text.decode())
    assert read.validate(raiseException=True)
    assert len(read.vevent_list) == 4
    for event in read.vevent_list:
        for name in ("uid", "dtstamp", "dtstart"):  # 3.6.1: required, once
            assert len(event.contents[name]) == 1, name
        assert event.dtstart.params["VALUE"] == ["DATE"] and type(event.dtstart.value) is dt.date  # 3.3.4, 3.2.20
        assert "dtend" not in event.contents and "duration" not in event.contents  # 3.6.1: a DATE alone is one whole day
        assert event.dtstamp.value == dt.datetime(2026, 11, 2, tzinfo=dt.UTC)  # 3.8.7.2: in UTC
        assert event.transp.value == "TRANSPARENT"  # 3.8.2.7
        assert "valarm" not in event.contents
    assert not [error for event in _events(text) for error in event.errors]


def test_what_people_wrote_comes_back_as_it_was() -> None:
    """TEXT is escaped (3.3.11) and folded, in the middle of letters too (3.1)."""
    for event in _events(calendar_file("Nursery", _due())):
        assert str(event["location"]) in LABELS.values()
        assert str(event["location"]) in str(event["summary"])
        assert "Whose task it is: Åsa; Ö." in str(event["description"]).split("\n")
        assert "Carrizo / Tahiti, dwarf" in event["description"] and "987" not in event["description"], "counting is blind"
    by_vobject = {e.location.value for e in vobject.readOne(calendar_file("N", _due()).decode()).vevent_list}
    assert by_vobject == set(LABELS.values())


def test_an_entry_for_each_day_task_and_place_late_ones_on_the_day() -> None:
    found = {(e["dtstart"].dt.day, str(e["summary"])): str(e["description"]) for e in _events(calendar_file("Nursery", _due()))}
    assert found.keys() == {
        (5, f"Count the stock, {LABELS['H1']} (1 group)"),
        (2, f"Late: Count the stock, {LABELS['H1']} (1 group)"),
        (2, "Read the buds, Yard 1 (2 groups)"),
        (9, f"Top, {LABELS['Y2']} (1 group)"),
    }
    assert "late since 31 Oct 2026" in found[2, f"Late: Count the stock, {LABELS['H1']} (1 group)"]
    assert found[2, "Read the buds, Yard 1 (2 groups)"].count("Read the buds (Team 2), today.") == 2


def test_a_later_file_renews_entries_instead_of_doubling_them() -> None:
    """UID (3.8.4.7) stays with the thing; DTSTAMP (3.8.7.2) says which file is newer."""

    def uids(due: DueList, nursery: str = "Nursery") -> dict[str, str]:
        return {f"{e['summary']} {e['dtstart'].dt}": str(e["uid"]) for e in _events(calendar_file(nursery, due))}

    assert calendar_file("Nursery", _due()) == calendar_file("Nursery", _due())
    first, later = uids(_due()), uids(_due(DAY + dt.timedelta(days=1)))
    assert len(set(first.values())) == 4
    same = set(first.values()) & set(later.values())
    assert len(same) == 3, "what was late moved on to the 3rd, what is to come stayed; what was due on the 2nd is late now"
    assert not set(uids(_due(), "Another").values()) & set(first.values())
    more = uids(_due(tasks=(*TASKS, ("Y1", "bud_take", 0))))
    assert set(more.values()) == set(first.values()), "a group more is no other entry"
