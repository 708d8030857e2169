"""What has been printed: kept, so that it can be told later what stands on a bench and what a paper said."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.store import Store, kept_json


@dataclass(frozen=True)
class Print:
    """One sign or paper as it was printed: of what `kind`, about which group or order, and what stood on it."""

    number: int
    printed_at: dt.datetime
    printed_on: dt.date
    kind: str
    about: str
    shows: dict[str, Any]


def keep_printed(store: Store, day: dt.date, kind: str, shows: Mapping[str, Mapping[str, Any]]) -> None:
    """Keep what was printed of each group or order on this day; inside the transaction that writes the file."""
    first = (store.value("SELECT max(number) FROM kept.printed") or 0) + 1
    now = dt.datetime.now()
    rows = [
        (number, now, day, kind, about, json.dumps(said, ensure_ascii=False, sort_keys=True, default=str))
        for number, (about, said) in enumerate(shows.items(), start=first)
    ]
    store.insert("kept.printed", ("number", "printed_at", "printed_on", "kind", "about", "shows"), rows)


def printed(store: Store, kinds: Iterable[str], about: str | None = None) -> list[Print]:
    """What was printed of these kinds, in order; `about` one group or order alone."""
    rows = store.rows(
        "SELECT number, printed_at, printed_on, kind, about, shows FROM kept.printed"
        " WHERE kind IN (SELECT unnest($1)) AND ($2 IS NULL OR about = $2) ORDER BY number",
        [list(kinds), about],
    )
    return [Print(number, at, on, kind, what, kept_json(shows)) for number, at, on, kind, what, shows in rows]
