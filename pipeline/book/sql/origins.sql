-- Where the plants of each group come from: its own opening, or (for a group that moves alone opened) the group
-- that the first move came from, as far back as it takes.
WITH RECURSIVE opened AS (
    SELECT a.group_code, a.rootstock, a.seed_lot, a.sow_date, nullif(upper(a.sowing_code), '') AS sowing_code,
        row_number() OVER (PARTITION BY a.group_code ORDER BY a.visit_date, a.ended, a.instance_id) AS position
    FROM work.accepted a
    WHERE a.opens
),
first_move AS (
    SELECT group_code, other_group, on_date,
        row_number() OVER (PARTITION BY group_code ORDER BY on_date, quantity DESC, other_group) AS position
    FROM work.movements WHERE kind = 'moved_in'
),
origins AS (
    SELECT group_code, rootstock, seed_lot, sow_date, sowing_code, NULL::VARCHAR AS from_group, NULL::DATE AS moved_on,
        0 AS depth
    FROM opened WHERE position = 1
    UNION ALL
    SELECT m.group_code, o.rootstock, o.seed_lot, o.sow_date, o.sowing_code, m.other_group, m.on_date, o.depth + 1
    FROM first_move m JOIN origins o ON o.group_code = m.other_group
    WHERE m.position = 1 AND o.depth < 50 AND m.group_code NOT IN (SELECT group_code FROM opened)
)
SELECT * EXCLUDE (depth) FROM origins
