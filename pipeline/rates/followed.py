"""Movements, stages and what vanished, in their order -> the plants of each stage, each counted once wherever it is moved."""

from __future__ import annotations

from pipeline.formulas import stage_by_stage
from pipeline.formulas.stage_by_stage import Event, follow
from pipeline.stages import Work

_THROUGH = ("rank", "passed", "despatched", "lost", "told", "vanished", "still", "still_lost")
_KINDS = {name: getattr(stage_by_stage, name) for name in "OPENED LOST VANISHED DESPATCHED MOVED REACHED GONE".split()}
_HAPPENED = """
WITH groups AS (
    SELECT group_code, (row_number() OVER (ORDER BY group_code) - 1)::BIGINT AS g FROM work.inherited
),
-- an opening comes first of all; what an inspection takes out was there before the stage is reached
inspections AS (
    SELECT instance_id, bool_or(stage = 'read') AS is_reading FROM work.stage_events GROUP BY instance_id
),
begun AS (
    SELECT DISTINCT instance_id FROM work.movements WHERE kind = 'opened'
),
happened AS (
    SELECT m.on_date, m.ended,
        CASE WHEN b.instance_id IS NOT NULL THEN 0 WHEN i.instance_id IS NOT NULL THEN 1 ELSE 3 END AS turn, m.instance_id,
        CASE m.kind WHEN 'opened' THEN {OPENED} WHEN 'despatched' THEN {DESPATCHED} WHEN 'moved_out' THEN {MOVED}
            ELSE {LOST} END AS kind,
        m.group_code, m.quantity, m.other_group, 0 AS rank,
        b.instance_id IS NOT NULL OR coalesce(i.is_reading, false) AS is_told
    FROM work.movements m
    LEFT JOIN inspections i USING (instance_id)
    LEFT JOIN begun b USING (instance_id)
    WHERE m.kind <> 'moved_in'
    UNION ALL
    SELECT on_date, ended, 2, instance_id, {REACHED}, group_code, 0, NULL, rank, false FROM work.stage_events
    UNION ALL
    SELECT on_date, '', 1, '', {VANISHED}, group_code, quantity, NULL, 0, false FROM work.vanished WHERE quantity > 0
    UNION ALL
    SELECT on_date, '', 1, '', {MOVED}, group_code, -moved, other_group, 0, false FROM work.quiet_moves WHERE moved < 0
    UNION ALL
    SELECT DATE '9999-12-31', '', 3, '', {GONE}, group_code, 0, NULL, 0, false FROM work.standing WHERE stage = 'gone'
)
SELECT kind, g.g, quantity::BIGINT, coalesce(o.g, rank)::BIGINT, is_told
FROM happened h JOIN groups g USING (group_code) LEFT JOIN groups o ON o.group_code = h.other_group
WHERE kind <> {MOVED} OR o.g IS NOT NULL
ORDER BY on_date, ended, turn, instance_id, kind, g.g, o.g, rank, is_told, quantity
"""


def follow_plants(work: Work) -> None:
    """work.stage_plants: of each group and stage the plants that are through with it and what the like of them lost in it, and
    the plants that are still in it. `told` losses belong to a step of their own: those of the opening and of readings.
    `doubt` is that of what vanished from the group in the stage, in squares of widths."""
    about = work.rows(
        "SELECT i.group_code, i.rank, coalesce(l.root, i.group_code), o.rootstock FROM work.inherited i"
        " LEFT JOIN work.lineage l USING (group_code) LEFT JOIN work.origins o USING (group_code) ORDER BY i.group_code"
    )
    doubts = {
        (code, rank): doubt
        for code, rank, doubt in work.rows("SELECT group_code, rank, quantity FROM work.stage_losses WHERE kind = 'doubt'")
    }
    events = work.rows(_HAPPENED.format(**_KINDS))
    found = follow([rank for _, rank, _, _ in about], map(Event._make, events))
    kinds = dict.fromkeys(("group_code", "root", "rootstock"), "VARCHAR") | dict.fromkeys((*_THROUGH, "doubt"), "BIGINT")
    work.put(
        "stage_plants",
        kinds,
        [
            (code, root, stock, *row[1:], doubts.get((code, row.stage), 0))
            for row in found
            for code, _, root, stock in (about[row.group],)
        ],
    )
