-- The same from budding on, for the groups whose lots can be told apart by their day: all first buds set within a week.
-- The buds set enter on the first day; what is lost or leaves after it counts.
WITH first_buds AS (
    SELECT group_code, min(budded_on) AS clock_on, max(budded_on) AS last_on, sum(buds_set)::BIGINT AS buds_set,
        CASE WHEN count(DISTINCT scion) = 1 THEN min(scion) END AS scion
    FROM work.lots WHERE attempt = 1 GROUP BY group_code
),
clear AS (
    SELECT * FROM first_buds WHERE last_on <= clock_on + 7
)
SELECT c.group_code, o.rootstock, c.scion, 'entered' AS kind, NULL::VARCHAR AS cause, 0 AS age, c.buds_set AS quantity
FROM clear c LEFT JOIN work.origins o USING (group_code)
UNION ALL
SELECT c.group_code, e.rootstock, c.scion, e.kind, e.cause, greatest(0, e.dated_on - c.clock_on) AS age, e.quantity
FROM clear c JOIN work.life_events e USING (group_code)
WHERE e.on_date > c.last_on
