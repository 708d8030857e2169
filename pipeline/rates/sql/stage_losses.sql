-- Plants by the stage they were in: came in, lost by cause, left alive; and how many entered each stage. What an
-- inspection takes out belongs to the stage the group was in before that inspection.
WITH placed AS (
    SELECT m.group_code, m.kind, m.cause, m.quantity,
        greatest(i.rank, coalesce(max(e.rank), 1)) AS rank
    FROM work.movements m
    JOIN work.inherited i ON i.group_code = m.group_code
    LEFT JOIN work.stage_events e ON e.group_code = m.group_code AND e.instance_id <> m.instance_id
        AND (e.on_date, e.ended) <= (m.on_date, m.ended)
    GROUP BY m.group_code, m.kind, m.cause, m.quantity, m.instance_id, m.other_group, i.rank
)
SELECT p.group_code, o.rootstock, p.rank, p.kind, p.cause, sum(p.quantity)::BIGINT AS quantity, s.rank AS group_rank
FROM placed p JOIN work.stages s USING (group_code) LEFT JOIN work.origins o USING (group_code)
GROUP BY ALL
