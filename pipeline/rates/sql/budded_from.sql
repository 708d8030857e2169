-- The groups whose plants are followed from budding, and the group they were budded in: those whose lots can be told apart
-- by their day (all first buds set within a week), and the groups that were opened with plants moved from them later.
WITH RECURSIVE first_buds AS (
    SELECT group_code, min(budded_on) AS clock_on, max(budded_on) AS last_on, sum(buds_set)::BIGINT AS buds_set,
        CASE WHEN count(DISTINCT scion) = 1 THEN min(scion) END AS scion
    FROM work.lots WHERE attempt = 1 GROUP BY group_code
),
followed AS (
    SELECT group_code, group_code AS budded_in, clock_on, last_on, scion, buds_set FROM first_buds
    WHERE last_on <= clock_on + 7
    UNION ALL
    SELECT o.group_code, f.budded_in, f.clock_on, f.last_on, f.scion, 0
    FROM work.origins o JOIN followed f ON f.group_code = o.from_group
    WHERE o.moved_on > f.last_on AND o.group_code NOT IN (SELECT group_code FROM first_buds)
)
SELECT * FROM followed
