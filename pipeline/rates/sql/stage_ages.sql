-- How many days after sowing groups come to each stage, in the middle, where at least three have; and from the first bud
-- to the first despatch.
WITH reached AS (
    SELECT e.group_code, e.stage, min(e.on_date) AS on_date FROM work.stage_events e GROUP BY ALL
)
SELECT r.stage, median(r.on_date - o.sow_date)::BIGINT AS days, count(*) AS groups
FROM reached r JOIN work.origins o USING (group_code)
WHERE o.sow_date IS NOT NULL AND o.from_group IS NULL
GROUP BY r.stage HAVING count(*) >= 3
UNION ALL
SELECT 'ready', median(d.first_on - l.budded_on)::BIGINT, count(*)
FROM (SELECT group_code, min(on_date) AS first_on FROM work.movements WHERE kind = 'despatched' GROUP BY group_code) d
JOIN (SELECT group_code, min(budded_on) AS budded_on FROM work.lots GROUP BY group_code) l USING (group_code)
HAVING count(*) >= 3
