-- Plants by the stage they were in: came in, lost by cause, left alive; and those the counts show to have vanished, with
-- the doubt of it. What an inspection takes out belongs to the stage the group was in before that inspection.
WITH placed AS (
    SELECT m.group_code, m.kind, m.cause, m.quantity,
        greatest(i.rank, coalesce(max(e.rank), 1)) AS rank
    FROM work.movements m
    JOIN work.inherited i ON i.group_code = m.group_code
    LEFT JOIN work.stage_events e ON e.group_code = m.group_code AND e.instance_id <> m.instance_id
        AND (e.on_date, e.ended) <= (m.on_date, m.ended)
    GROUP BY m.group_code, m.kind, m.cause, m.quantity, m.instance_id, m.other_group, i.rank
),
reached AS (
    SELECT group_code, on_date, max(max(rank)) OVER (PARTITION BY group_code ORDER BY on_date) AS rank
    FROM work.stage_events GROUP BY group_code, on_date
),
vanished AS (
    SELECT v.*, greatest(i.rank, coalesce(r.rank, 1)) AS rank
    FROM work.vanished v
    JOIN work.inherited i USING (group_code)
    ASOF LEFT JOIN reached r ON r.group_code = v.group_code AND r.on_date < v.on_date
),
all_of_it AS (
    SELECT * FROM placed
    UNION ALL
    SELECT group_code, 'vanished', 'not_recorded', quantity, rank FROM vanished WHERE quantity > 0
    UNION ALL
    SELECT group_code, 'doubt', NULL, abs(doubt), rank FROM vanished WHERE doubt <> 0
)
SELECT p.group_code, l.root, o.rootstock, p.rank, p.kind, p.cause, sum(p.quantity)::BIGINT AS quantity, s.rank AS group_rank
FROM all_of_it p JOIN work.stages s USING (group_code) LEFT JOIN work.origins o USING (group_code)
LEFT JOIN work.lineage l USING (group_code)
GROUP BY ALL
