-- The furthest stage of each group now, and when it got there.
WITH reached AS (
    SELECT i.group_code, greatest(i.rank, coalesce(max(e.rank), 0)) AS rank
    FROM work.inherited i LEFT JOIN work.stage_events e USING (group_code)
    GROUP BY i.group_code, i.rank
)
SELECT r.group_code, r.rank,
    ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'][r.rank] AS stage,
    max(e.on_date) AS reached_on
FROM reached r
LEFT JOIN work.stage_events e ON e.group_code = r.group_code AND e.rank = r.rank
GROUP BY ALL
