-- Groups that were cut back, by how long after the reading of their buds, with what they had then and what came through
-- until they were staked (groups that have come so far).
WITH read AS (
    SELECT group_code, max(read_on) AS read_on FROM work.lots WHERE green > 0 AND attempt = 1 GROUP BY group_code
),
cut AS (
    SELECT group_code, min(on_date) AS cut_on FROM work.stage_events WHERE stage = 'cut_back' GROUP BY group_code
)
SELECT r.group_code, c.cut_on - r.read_on AS days, s.began, s.through
FROM read r JOIN cut c USING (group_code)
JOIN (SELECT group_code, max(began) AS began, max(began) - sum(began - through) AS through FROM work.step_counts
    WHERE step IN ('read', 'cut_back') GROUP BY group_code HAVING count(DISTINCT step) = 2) s USING (group_code)
WHERE c.cut_on >= r.read_on AND s.through >= 0
