-- Every change of a group with the stage its plants were in and the place they stood at; what the counts show to have
-- vanished, with the doubt of it, too. What an inspection takes out belongs to the stage before that inspection.
WITH recorded AS (
    SELECT m.group_code, m.on_date, m.kind, m.cause, m.quantity, greatest(i.rank, coalesce(max(e.rank), 1)) AS rank
    FROM work.movements m
    JOIN work.inherited i ON i.group_code = m.group_code
    LEFT JOIN work.stage_events e ON e.group_code = m.group_code AND e.instance_id <> m.instance_id
        AND (e.on_date, e.ended) <= (m.on_date, m.ended)
    GROUP BY m.group_code, m.on_date, m.kind, m.cause, m.quantity, m.instance_id, m.other_group, i.rank
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
    SELECT * FROM recorded
    UNION ALL
    SELECT group_code, on_date, 'vanished', 'not_recorded', quantity, rank FROM vanished WHERE quantity > 0
    UNION ALL
    SELECT group_code, on_date, 'doubt', NULL, abs(doubt), rank FROM vanished WHERE doubt <> 0
),
places AS (
    SELECT group_code, from_on, max_by(location, from_ended) AS location FROM work.placings GROUP BY group_code, from_on
)
SELECT c.group_code, c.on_date, c.kind, c.cause, c.rank, p.location, sum(c.quantity)::BIGINT AS quantity
FROM all_of_it c ASOF LEFT JOIN places p ON p.group_code = c.group_code AND p.from_on <= c.on_date
GROUP BY ALL
