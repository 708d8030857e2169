"""The day on which files came in: whether it fits what they bring, and as people have corrected it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from formpack.words import marked, place, tr
from pipeline.store import Store

OF_A_FILE = "file:"
"""So begins what stands for the submission where a whole file is meant; the file's SHA-256 follows."""
OF_A_DAY = "day:"
"""The same for all files that came in on one day; the day follows."""
CAME_IN_ON = "received_on"
"""What stands for the question where the day of a file is corrected."""
FEW = 3
"""So many submissions, and more than half of all, must be dated after the day of an import before it is doubted (so in
day_notes.sql too); and fewer than so many, and less than half, lately before it. Common practice, no published source, as
the rest here."""
LONG_AFTER, LATELY = dt.timedelta(days=400), dt.timedelta(days=200)
"""A day so long after the last files came in is doubted where hardly anything is dated in so many days before it."""
YEARS_BEFORE = dt.timedelta(days=3 * 365)
"""The same at the first import."""
FILES = f"""(
    SELECT f.* REPLACE (coalesce(c.day, f.received_on) AS received_on, coalesce(nullif(p.name, ''), f.name) AS name)
    FROM kept.raw_files f
    LEFT JOIN (SELECT sha256, split_part(read_as, chr(10), 1) AS name FROM work.parsed_files) p USING (sha256)
    LEFT JOIN (
        SELECT substr(instance_id, {len(OF_A_FILE) + 1}) AS sha256, TRY_CAST(arg_max(new_answer, number) AS DATE) AS day
        FROM kept.corrections WHERE field = '{CAME_IN_ON}' AND starts_with(instance_id, '{OF_A_FILE}') GROUP BY ALL
    ) c USING (sha256)
)"""
"""kept.raw_files with the day on which each file came in as it stands (the last correction's, or the one that was kept), and
the name that it is read under."""
_NEW = """
SELECT count(visit_date), count(*) FILTER (visit_date > $1), count(*) FILTER (visit_date < $2),
    max((visit_date, source)) FILTER (visit_date > $1), max((visit_date, source)) FILTER (visit_date < $2)
FROM work.readings WHERE sha256 IN (SELECT unnest($3))
"""


def last_day(store: Store) -> dt.date | None:
    """The last day on which files came in."""
    last: dt.date | None = store.value(f"SELECT max(received_on) FROM {FILES}")
    return last


def not_parsed_of(store: Store, day: dt.date) -> list[str]:
    """The files that came in on the day and have not been parsed yet, by their SHA-256."""
    query = f"SELECT sha256 FROM {FILES} ANTI JOIN work.parsed_files USING (sha256) WHERE received_on = ? ORDER BY sha256"
    return [sha for (sha,) in store.rows(query, [day])]


def misfit(store: Store, day: dt.date, files: Collection[str], last: dt.date | None) -> str:
    """Why the day does not fit what was read of these files, all that came in on it for the first time; '' where it does.
    `last` is the last day on which files came in before."""
    lately = YEARS_BEFORE if last is None else LATELY
    dated, after, before, latest, newest = store.rows(_NEW, [day, day - lately, list(files)])[0]

    if after >= FEW and 2 * after > dated:
        said = marked("submissions are dated after it ({some} of {dated}), the last {last} in {place}")
        return tr(said, dated=dated, some=after, last=latest[0], place=place(latest[1]))
    is_long_after = dated >= FEW if last is None else day - last > LONG_AFTER
    now = dated - after - before
    if last is not None and is_long_after and files and not dated:
        return tr("the last files came in on {last}, and nothing that comes in now says a day near it", last=last)
    if is_long_after and before and now < FEW and 2 * now < dated:
        said = marked("submissions are dated more than {days} days before it ({some} of {dated}), the last {last} in {place}")
        found = tr(said, days=lately.days, some=before, dated=dated, last=newest[0], place=place(newest[1]))
        return found if last is None else tr("the last files came in on {last}, and {found}", last=last, found=found)
    return ""
