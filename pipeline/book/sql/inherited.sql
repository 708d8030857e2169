-- The stage that each group began with: tray, or the stage of the group its first plants came from on that day.
WITH RECURSIVE at_move AS (
    SELECT o.group_code, o.from_group, coalesce(max(e.rank), 1) AS rank
    FROM work.origins o
    LEFT JOIN work.stage_events e ON e.group_code = o.from_group AND e.on_date <= o.moved_on
    WHERE o.from_group IS NOT NULL
    GROUP BY ALL
),
inherited AS (
    SELECT group_code, 1 AS rank FROM work.origins WHERE from_group IS NULL
    UNION ALL
    SELECT m.group_code, greatest(m.rank, i.rank) FROM at_move m JOIN inherited i ON i.group_code = m.from_group
)
SELECT * FROM inherited
