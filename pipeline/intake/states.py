"""What becomes of each submission: a function of the whole set, so that no order of arrival can matter.

Sets in SQL: edits give way, what is wrong by itself or twice is kept out, groups and lots exist from the first day that
something sound says so, and what speaks of others waits. What is about no group (a house, the nursery) waits for none.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from formpack.words import marked
from pipeline.findings import Finding, Rule
from pipeline.intake.corrections import all_corrections, in_force
from pipeline.stages import Work

State = Literal["accepted", "waiting", "quarantined", "superseded", "withdrawn"]
STATES: tuple[State, ...] = ("accepted", "waiting", "quarantined", "superseded", "withdrawn")
STATE_WORDS: dict[str, str] = {
    "accepted": marked("accepted"),
    "waiting": marked("waiting"),
    "quarantined": marked("quarantined"),
    "superseded": marked("superseded"),
    "withdrawn": marked("withdrawn"),
}
"""The states in words; `tr` them."""
_FINDING = dict.fromkeys(("instance_id", "rule", "field", "value", "detail"), "VARCHAR")


@dataclass(frozen=True)
class Edit:
    """A submission that edits another, or is edited. `deprecated_id` is '' where it edits none."""

    instance_id: str
    form_id: str
    deprecated_id: str
    ended: str

    @property
    def order(self) -> tuple[str, str]:
        return self.ended, self.instance_id


def follow_edits(heads: Mapping[str, Any]) -> tuple[dict[str, str], list[Finding]]:
    """Which submission each superseded one gives way to (the next in its chain), and what is wrong with chains.

    `heads` are Edits by instance_id: at least all that edit, and all that they edit.
    """
    findings: list[Finding] = []
    editors: dict[str, list[Any]] = defaultdict(list)
    for head in heads.values():
        old = heads.get(head.deprecated_id)
        if old is None:
            if head.deprecated_id and head.deprecated_id == head.instance_id:
                findings.append(Finding(head.instance_id, "edit_loop"))
        elif old is not head and old.form_id != head.form_id:
            findings.append(Finding(head.instance_id, "edit_of_other_form", "", "", old.instance_id))
        else:
            editors[head.deprecated_id].append(head)
    following: dict[str, str] = {}
    for old_id, edits in editors.items():
        edits.sort(key=lambda h: h.order)
        following[old_id] = edits[-1].instance_id
        for earlier in edits[:-1]:
            following.setdefault(earlier.instance_id, edits[-1].instance_id)
            findings.append(Finding(edits[-1].instance_id, "edited_apart", "", "", edits[-1].instance_id))
    for start in list(following):
        seen, at = {start}, following[start]
        while at in following and at not in seen:
            seen.add(at)
            at = following[at]
        if at == start:
            findings.append(Finding(start, "edit_loop"))
    looped = {f.instance_id for f in findings if f.rule == "edit_loop"}
    return {old: new for old, new in following.items() if old not in looped}, sorted(set(findings))


def load_decisions(work: Work) -> None:
    """work.withdrawn and work.cleared: what people have decided of whole submissions and of findings."""
    decided = in_force(all_corrections(work.store))
    work.put("withdrawn", {"instance_id": "VARCHAR"}, [(i,) for i in sorted(decided.withdrawn)])
    work.put("cleared", {"instance_id": "VARCHAR", "rule": "VARCHAR"}, sorted(decided.cleared))


_STOPS = ", ".join(f"'{rule.name}'" for rule in Rule if rule.severity == "stop")
_LAST = "alive h ANTI JOIN superseded USING (instance_id)"
_SOUND = f"{_LAST} ANTI JOIN stops USING (instance_id)"
_TWO_VERSIONS = f"SELECT instance_id, 'two_versions', '', '', other_source FROM {_LAST} WHERE versions > 1"
_DOUBLE_ENTRIES = f"""
WITH alike AS (
    SELECT * FROM {_SOUND} WHERE said IN (SELECT said FROM {_SOUND} GROUP BY said HAVING count(*) > 1)
),
placed AS (
    SELECT instance_id, first_value(instance_id) OVER same AS first, row_number() OVER same AS position FROM alike
    WINDOW same AS (PARTITION BY said ORDER BY ended, instance_id)
)
SELECT instance_id, 'double_entry', '', '', first FROM placed WHERE position > 1"""
_OPENERS = f"""
SELECT instance_id, group_code, visit_date, first_value(instance_id) OVER own AS first, row_number() OVER own AS position
FROM {_SOUND} WHERE opens AND group_code <> '' AND visit_date IS NOT NULL
WINDOW own AS (PARTITION BY group_code ORDER BY visit_date, ended, instance_id)"""
_OPENED_TWICE = "SELECT instance_id, 'opened_twice', 'group_code', group_code, first FROM openers WHERE position > 1"
_LOTS = """
SELECT m.group_code, m.set_by AS team_code, m.attempt, min(m.visit_date) AS on_date
FROM movers m JOIN group_days g USING (group_code) WHERE m.set_by IS NOT NULL AND m.visit_date >= g.on_date GROUP BY ALL"""
_GROUPS = """
SELECT group_code, on_date FROM opened
UNION ALL
SELECT m.moves_to, min(m.visit_date)
FROM movers m JOIN group_days g USING (group_code) LEFT JOIN lot_days l
    ON l.group_code = m.group_code AND l.team_code = m.read_of AND l.attempt = m.attempt
WHERE m.moves_to IS NOT NULL AND m.visit_date >= g.on_date AND (m.read_of IS NULL OR l.on_date <= m.visit_date)
    AND m.moves_to NOT IN (SELECT group_code FROM opened)
GROUP BY m.moves_to"""
_TOO_EARLY = f"""
SELECT instance_id, 'before_opening', CASE WHEN visit_date < own.on_date THEN 'visit_date' ELSE 'to_group' END,
    visit_date::VARCHAR,
    pack('{{day}}', ['day=@' || CASE WHEN visit_date < own.on_date THEN own.on_date ELSE theirs.on_date END])
FROM {_SOUND} LEFT JOIN group_days own USING (group_code) LEFT JOIN group_days theirs ON theirs.group_code = h.moves_to
WHERE visit_date < own.on_date OR visit_date < theirs.on_date"""
_BEFORE_BUDDING = """
SELECT s.instance_id, 'before_budding', 'visit_date', s.visit_date::VARCHAR, pack('{day}', ['day=@' || l.on_date])
FROM sound s JOIN group_days USING (group_code) JOIN lot_days l
    ON l.group_code = s.group_code AND l.team_code = s.read_of AND l.attempt = s.attempt
WHERE s.visit_date < l.on_date"""
_WAITING = """
SELECT s.instance_id, CASE WHEN g.group_code IS NULL THEN 'waits_for_group' ELSE 'waits_for_lot' END,
    CASE WHEN g.group_code IS NULL THEN 'group_code' ELSE 'team_code' END,
    CASE WHEN g.group_code IS NULL THEN coalesce(s.group_code, '') ELSE s.read_of END,
    CASE WHEN g.group_code IS NULL THEN '' ELSE s.attempt::VARCHAR END
FROM sound s LEFT JOIN group_days g USING (group_code) LEFT JOIN lot_days l
    ON l.group_code = s.group_code AND l.team_code = s.read_of AND l.attempt = s.attempt
WHERE s.group_code IS NOT NULL AND (g.group_code IS NULL OR (s.read_of IS NOT NULL AND l.team_code IS NULL))"""
_BY_TRANSFER = """
SELECT instance_id, 'opened_by_transfer', 'to_group', moves_to, '' FROM sound
WHERE moves_to NOT IN (SELECT group_code FROM opened) AND reason IN ('regrade', 'merge')
    AND instance_id NOT IN (SELECT instance_id FROM waits)"""
_STATES = """
SELECT h.instance_id, h.group_code,
    CASE
        WHEN w.instance_id IS NOT NULL THEN 'withdrawn'
        WHEN x.instance_id IS NOT NULL THEN 'superseded'
        WHEN s.instance_id IS NOT NULL THEN 'quarantined'
        WHEN v.instance_id IS NOT NULL THEN 'waiting'
        ELSE 'accepted'
    END AS state,
    x.superseded_by
FROM work.current h LEFT JOIN work.withdrawn w USING (instance_id) LEFT JOIN superseded x USING (instance_id)
LEFT JOIN (SELECT DISTINCT instance_id FROM stops) s USING (instance_id) LEFT JOIN waits v USING (instance_id)"""


def settle(work: Work) -> None:
    """work.states, work.openings and work.state_findings from work.current, work.own_findings and what people decided."""

    def table(name: str, query: str) -> None:
        work.store.connection.execute(f'CREATE OR REPLACE TEMP TABLE "{name}" AS {query}')

    def note(query: str, stops: bool = True) -> None:
        """Add findings that nobody has cleared; they keep their submissions out where `stops`."""
        table(
            "noted",
            f"SELECT * FROM ({query}) q(instance_id, rule, field, value, detail)"
            " ANTI JOIN work.cleared USING (instance_id, rule)",
        )
        work.store.connection.execute("INSERT INTO found SELECT * FROM noted")
        if stops:
            work.store.connection.execute(
                "INSERT INTO stops SELECT DISTINCT instance_id FROM noted WHERE rule <> 'edited_apart'"
            )

    work.store.connection.execute(
        "CREATE OR REPLACE TEMP VIEW alive AS SELECT * REPLACE (coalesce(ended, '') AS ended, coalesce(other_source, '') AS"
        " other_source) FROM work.current ANTI JOIN work.withdrawn USING (instance_id)"
    )
    table("found", "SELECT ''::VARCHAR AS instance_id, '' AS rule, '' AS field, '' AS value, '' AS detail WHERE false")
    table("stops", f"SELECT DISTINCT instance_id FROM work.own_findings WHERE rule IN ({_STOPS})")
    edits = {
        i: Edit(i, form, old, ended)
        for i, form, old, ended in work.rows(
            "SELECT instance_id, form_id, deprecated_id, ended FROM alive WHERE deprecated_id <> ''"
            " OR instance_id IN (SELECT deprecated_id FROM alive WHERE deprecated_id <> '')"
        )
    }
    following, findings = follow_edits(edits)
    work.lay_aside("superseded", {"instance_id": "VARCHAR", "superseded_by": "VARCHAR"}, sorted(following.items()))
    work.lay_aside("edits", _FINDING, [(f.instance_id, f.rule, f.field, f.value, f.detail) for f in findings])
    note("SELECT * FROM edits")
    note(_TWO_VERSIONS)
    note(_DOUBLE_ENTRIES)
    table("openers", _OPENERS)
    note(_OPENED_TWICE)
    table("opened", "SELECT group_code, visit_date AS on_date FROM openers WHERE position = 1")
    _spread(work, table)
    note(_TOO_EARLY)
    table("sound", f"SELECT * FROM {_SOUND}")
    note(_BEFORE_BUDDING)
    table("waits", f"SELECT * FROM ({_WAITING}) q(instance_id, rule, field, value, detail)")
    note(_BY_TRANSFER, stops=False)
    note("SELECT * FROM waits", stops=False)
    work.put_query("states", _STATES)
    work.put_query("openings", "SELECT group_code, on_date AS opened_on FROM group_days")
    work.put_query("state_findings", "SELECT DISTINCT * FROM found")


def _spread(work: Work, table: Any) -> None:
    """`group_days` and `lot_days`: groups and lots that exist, each with its first day: the least fixed point of "what exists
    lets more exist".

    A group exists when its opening form, or a move out of a group that exists, says so; a lot when a budding in
    such a group says so; a reading moves failed buds only when its lot exists.
    """
    table("movers", f"SELECT * FROM {_SOUND} WHERE (moves_to IS NOT NULL OR set_by IS NOT NULL) AND visit_date IS NOT NULL")
    table("group_days", "SELECT * FROM opened")
    before = None
    while True:
        table("lot_days", _LOTS)
        table("group_days", _GROUPS)
        now = work.rows("SELECT count(*), sum(hash(g)::HUGEINT) FROM group_days g")
        if now == before:
            return
        before = now
