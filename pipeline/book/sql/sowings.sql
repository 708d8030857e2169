-- One row a sowing: what was sown where, what had come up when it was last counted, and what was lifted from it. Seeds are as
-- counted, or litres by the seeds in a litre of the lot; unknown where neither is. `times` is how often the code was sown:
-- where that is more than once, the first is shown, and nothing is said of what came up or was lifted, as it may be of the
-- other. A count of more trays than were sown, or from before the sowing, is left out. `seeds_read` are the seeds of the trays
-- counted, `emerged_all` the seedlings of all trays if the others are like them.
WITH numbered AS (
    SELECT *, row_number() OVER (PARTITION BY sowing_code ORDER BY visit_date, ended, instance_id) AS position,
        count(*) OVER (PARTITION BY sowing_code) AS times
    FROM work.sown
),
sowings AS (
    SELECT n.sowing_code, n.instance_id, n.visit_date AS sown_on, n.seed_lot, n.rootstock, n.location, n.trays, n.litres,
        coalesce(n.seeds, round(n.litres * l.seeds_per_litre)::BIGINT) AS seeds, n.soak_min, n.medium, l.treated, n.times
    FROM numbered n LEFT JOIN work.list_seed_lots l ON l.code = n.seed_lot
    WHERE n.position = 1
),
last_read AS (
    SELECT e.sowing_code, e.visit_date AS read_on, e.trays_read, e.emerged, e.multiple
    FROM work.emergence_counts e JOIN sowings s USING (sowing_code)
    WHERE s.times = 1 AND e.trays_read BETWEEN 1 AND s.trays AND e.emerged IS NOT NULL AND e.visit_date >= s.sown_on
    QUALIFY row_number() OVER (PARTITION BY e.sowing_code ORDER BY e.visit_date DESC, e.ended DESC, e.instance_id DESC) = 1
),
lifted AS (
    SELECT sowing_code, count(*) AS groups, sum(lifted)::BIGINT AS lifted, sum(planted)::BIGINT AS planted
    FROM work.drawn GROUP BY sowing_code
)
SELECT s.*, r.* EXCLUDE (sowing_code), round(s.seeds * r.trays_read / s.trays)::BIGINT AS seeds_read,
    round(r.emerged * s.trays / r.trays_read)::BIGINT AS emerged_all, l.* EXCLUDE (sowing_code)
FROM sowings s
LEFT JOIN last_read r USING (sowing_code)
LEFT JOIN lifted l ON l.sowing_code = s.sowing_code AND s.times = 1
