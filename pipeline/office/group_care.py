"""What was done for a group by records that are of no group: its seed, treatments and other work where it stood, the cut of its
budwood, blades. Where it stood is a place and all that this is part of; on the day of a move both places count."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from formpack.catalog import Form
from pipeline.store import Store

_APART = ("sowing", "emergence", "treatment")
"""Forms about places that are told one by one, or of which a place of the group tells nothing of the group."""
_HEAD = ("form_id", "submission", "on", "staff_code")
_SOWN = """
SELECT 'sowing' AS form_id, s.instance_id AS submission, s.sown_on AS "on", c.staff_code, s.sowing_code, s.location,
    s.trays, s.seeds, s.litres, s.soak_min, s.medium, s.treated, s.groups
FROM work.origins o JOIN work.sowings s USING (sowing_code) JOIN work.current c USING (instance_id)
WHERE o.group_code = $1 AND s.times = 1
"""
_CAME_UP = """
SELECT 'emergence' AS form_id, e.instance_id AS submission, e.visit_date AS "on", c.staff_code, e.trays_read, s.trays,
    e.emerged, e.multiple
FROM work.origins o JOIN work.sowings s USING (sowing_code) JOIN work.emergence_counts e USING (sowing_code)
JOIN work.current c ON c.instance_id = e.instance_id
WHERE o.group_code = $1 AND s.times = 1 AND e.trays_read BETWEEN 1 AND s.trays AND e.emerged IS NOT NULL
    AND e.visit_date >= s.sown_on
ORDER BY e.visit_date, e.ended, e.instance_id
"""
_HERE = """
WITH stood AS (
    SELECT w.held_by AS place, p.from_on, least(coalesce(p.until_on, $2), $2) AS until_on
    FROM work.placings p JOIN work.place_ways w USING (location) WHERE p.group_code = $1
),
placed AS (
    SELECT c.instance_id, c.form_id, c.visit_date AS on_date, c.staff_code,
        date_trunc('month', c.visit_date)::DATE AS month, coalesce(p.location, w.location, t.location, h.location) AS place
    FROM work.current c JOIN work.states s USING (instance_id) JOIN work.particulars p USING (reading_id)
    LEFT JOIN work.scouted w USING (instance_id) LEFT JOIN work.treated t USING (instance_id)
    LEFT JOIN work.sterilised h USING (reading_id)
    WHERE s.state = 'accepted' AND list_contains($3, c.form_id)
),
here AS (
    FROM placed p WHERE EXISTS (FROM stood t WHERE t.place = p.place AND p.on_date BETWEEN t.from_on AND t.until_on)
)
"""
_TREATED = f"""{_HERE}
SELECT h.form_id, h.instance_id AS submission, h.on_date AS "on", h.staff_code, h.place AS location, t.label AS product,
    t.active_ingredient, t.dose, t.dose_unit, t.target, t.applicator
FROM here h JOIN work.treatments t USING (instance_id) ORDER BY h.on_date, t.started_at, h.instance_id
"""
_DONE = f"{_HERE} SELECT month, place, form_id, count(*) FROM here GROUP BY ALL ORDER BY ALL"
_PESTS = f"""{_HERE}
SELECT h.month, h.place, w.pest, sum(w.examined)::BIGINT, sum(w.affected)::BIGINT AS affected
FROM here h JOIN work.walks w USING (instance_id) GROUP BY ALL ORDER BY h.month, h.place, affected DESC, w.pest
"""
_OUTSIDE = f"""{_HERE}
SELECT h.month, h.place, r.what, count(*), count(*) FILTER (r.state = 'below'), count(*) FILTER (r.state = 'above'),
    any_value(r.limit_low), any_value(r.limit_high), min(r.value), max(r.value)
FROM here h JOIN work.climate r USING (instance_id)
GROUP BY ALL HAVING count(*) FILTER (r.state IN ('below', 'above')) > 0 ORDER BY ALL
"""
_CUTS = """
SELECT code, source_block, source_tree, cut_on, authorisation, buds FROM work.budwood_batches WHERE code IN (SELECT unnest($1))
"""
_BLADES = "SELECT instance_id, disinfections, not_between FROM work.blade_works WHERE group_code = $1"


@dataclass(frozen=True)
class Care:
    """An accepted record of the seed of the group, or of a treatment where it stood."""

    form_id: str
    submission: str
    on: dt.date
    staff_code: str
    says: Mapping[str, Any]
    """By column."""
    short: str = ""
    form: str = ""
    person: str = ""


@dataclass(frozen=True)
class Outside:
    """Readings of one thing of which some were outside the limits as they are now, and the least and the most that was read."""

    what: str
    readings: int
    below: int
    above: int
    limit_low: float | None
    limit_high: float | None
    lowest: float
    highest: float


@dataclass(frozen=True)
class Month:
    """What was done and seen in a month at a place, while the group stood there or in a part of it: records by form; of each
    pest or symptom the plants examined and affected; readings of what was outside."""

    month: dt.date
    place: str
    forms: Mapping[str, int]
    pests: tuple[tuple[str, int, int], ...]
    outside: tuple[Outside, ...]


@dataclass(frozen=True)
class Cut:
    """Where the budwood of a batch was cut and when, and how many buds."""

    source_block: str | None
    source_tree: str | None
    cut_on: dt.date | None
    authorisation: str | None
    buds: int | None


@dataclass(frozen=True)
class Blades:
    """What is recorded of the blades of a work, of the team (or person) and the day: times disinfected, and changes of cultivar
    without (None where the order of works is not told)."""

    disinfections: int
    not_between: int | None


def by_name(store: Store, sql: str, values: Sequence[Any]) -> list[dict[str, Any]]:
    """The rows of a query, each by column."""
    found = store.connection.execute(sql, list(values))
    columns = [name for name, *_ in found.description or ()]
    return [dict(zip(columns, row, strict=True)) for row in found.fetchall()]


def care_of(store: Store, code: str, until: dt.date) -> list[Care]:
    """The sowing, what came up of it and treatments, in order."""
    rows = [
        *by_name(store, _SOWN, [code]),
        *by_name(store, _CAME_UP, [code]),
        *by_name(store, _TREATED, [code, until, ["treatment"]]),
    ]
    found = [Care(**{h: row.pop(h) for h in _HEAD}, says=row) for row in rows]
    return sorted(found, key=lambda c: c.on)


def months_of(store: Store, code: str, until: dt.date, forms: Mapping[str, Form]) -> Iterator[Month]:
    """What else was done and seen where the group stood, month by month."""
    asked = [code, until, [form.form_id for form in forms.values() if not form.has_group and form.form_id not in _APART]]
    pests, outside = _at(store.rows(_PESTS, asked)), _at(store.rows(_OUTSIDE, asked))
    for at, done in _at(store.rows(_DONE, asked)).items():
        yield Month(*at, dict(done), tuple(pests.get(at, ())), tuple(Outside(*row) for row in outside.get(at, ())))


def _at(rows: Iterable[tuple[Any, ...]]) -> dict[tuple[dt.date, str], list[Any]]:
    """The rest of each row by month and place."""
    found: dict[tuple[dt.date, str], list[Any]] = {}
    for month, place, *rest in rows:
        found.setdefault((month, place), []).append(tuple(rest))
    return found


def cuts_of(store: Store, batches: Iterable[str | None]) -> dict[str, Cut]:
    return {code: Cut(*rest) for code, *rest in store.rows(_CUTS, [sorted(filter(None, batches))])}


def blades_of(store: Store, code: str) -> dict[str, Blades]:
    """By submission."""
    return {instance_id: Blades(*rest) for instance_id, *rest in store.rows(_BLADES, [code])}
