"""Who was seen today: people and phones, the lists they fetched, what they sent, what was refused; a line each in a file a day.

It is for the status page alone. Submissions do not depend on it, so it is not waited for.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import threading
from collections import Counter, defaultdict, deque
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

MOST_PROBLEMS = 50
MOST_OF_STRANGERS = 20
"""Problems of a day that somebody without a password can make, so that they do not hide those of phones."""
MOST_VISITORS, MOST_FORMS, MOST_LINES = 500, 100, 100_000
"""Phones and forms that are told apart in a day, and lines of its file: a phone can make up its name, and forms."""
KEPT_DAYS = 30


@dataclass(frozen=True)
class Event:
    """One thing that happened. `what` is `list`, `groups`, `received`, `again` or `problem`; `about` the form of a submission,
    or the problem in a packed sentence."""

    at: str
    person: str
    device: str
    what: str
    about: str = ""


@dataclass
class Visitor:
    """A person with a phone, today: ISO times in local time, '' for what was not yet."""

    person: str
    device: str
    last: str = ""
    fetched: str = ""
    submissions: int = 0


@dataclass
class Day:
    """What was seen on one day."""

    date: str
    visitors: dict[tuple[str, str], Visitor] = field(default_factory=dict)
    forms: Counter[str] = field(default_factory=Counter)
    problems: deque[Event] = field(default_factory=lambda: deque(maxlen=MOST_PROBLEMS))
    many_problems: int = 0

    def add(self, event: Event) -> None:
        if event.what == "problem":
            self.problems.append(event)
            self.many_problems += 1
        if not event.person:
            return
        who = event.person, event.device
        if who not in self.visitors and len(self.visitors) >= MOST_VISITORS:
            who = event.person, ""
        visitor = self.visitors.setdefault(who, Visitor(*who))
        visitor.last = event.at
        if event.what == "groups":
            visitor.fetched = event.at
        elif event.what == "received":
            visitor.submissions += 1
            is_told_apart = event.about in self.forms or len(self.forms) < MOST_FORMS
            self.forms[event.about if is_told_apart else "..."] += 1


class Seen:
    """The day as it goes on. `now` gives the local time."""

    def __init__(self, folder: Path, now: Callable[[], dt.datetime] = dt.datetime.now) -> None:
        self._folder, self._now = folder, now
        self._lock = threading.Lock()
        self._said: dict[str, set[tuple[str, str, str]]] = defaultdict(set)
        self._lines = 0
        self._day = self._read(self._today())

    def _today(self) -> str:
        return self._now().date().isoformat()

    def _file(self, date: str) -> Path:
        return self._folder / f"{date}.jsonl"

    def _read(self, date: str) -> Day:
        day = Day(date)
        with contextlib.suppress(OSError), self._file(date).open(encoding="utf-8", errors="replace") as lines:
            for line in lines:
                self._lines += 1
                with contextlib.suppress(ValueError, TypeError, RecursionError):  # a line that was cut says nothing
                    day.add(Event(**json.loads(line)))
        return day

    def note(self, person: str, device: str, what: str, about: str = "") -> None:
        """Note what happens now; the same problem of the same phone once a day. What anybody can cause is `stranger`."""
        with self._lock:
            date = self._today()
            if self._day.date != date:
                self._day, self._lines = Day(date), 0
                self._said.clear()
                self._forget()
            if most := {"problem": 10 * MOST_PROBLEMS, "stranger": MOST_OF_STRANGERS}.get(what):
                if (person, device, about) in self._said[what] or len(self._said[what]) >= most:
                    return
                self._said[what].add((person, device, about))
                what = "problem"
            event = Event(self._now().isoformat(timespec="seconds"), person, device, what, about)
            self._day.add(event)
            self._lines += 1
            if self._lines > MOST_LINES:
                return
            with contextlib.suppress(OSError):  # where the disk is full, what is sent is what matters
                self._folder.mkdir(mode=0o700, exist_ok=True)
                with self._file(date).open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(event), ensure_ascii=False) + "\n")

    def _forget(self) -> None:
        """Let go of days long past."""
        first = (self._now().date() - dt.timedelta(days=KEPT_DAYS)).isoformat()
        for path in self._folder.glob("*.jsonl"):
            if path.stem < first:
                path.unlink(missing_ok=True)

    def day(self) -> Day:
        """What was seen today, as it stands now."""
        with self._lock:
            if self._day.date != self._today():
                return Day(self._today())
            copy = Day(self._day.date, many_problems=self._day.many_problems)
            copy.visitors = {who: Visitor(**asdict(visitor)) for who, visitor in self._day.visitors.items()}
            copy.forms, copy.problems = Counter(self._day.forms), deque(self._day.problems, maxlen=MOST_PROBLEMS)
            return copy
