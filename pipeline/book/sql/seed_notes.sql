-- What is odd about seed sown, counts of what came up, and groups opened from it: (instance_id, rule, field, value, detail).
WITH repeated AS (
    SELECT n.instance_id, n.sowing_code, s.instance_id AS first
    FROM work.sown n JOIN work.sowings s USING (sowing_code) WHERE n.instance_id <> s.instance_id
),
named AS (
    SELECT instance_id, sowing_code FROM work.emergence_counts WHERE sowing_code <> ''
    UNION ALL SELECT instance_id, sowing_code FROM work.drawn
),
counted AS (
    SELECT e.*, s.sown_on, s.trays, round(s.seeds * e.trays_read / nullif(s.trays, 0))::BIGINT AS seeds_read
    FROM work.emergence_counts e JOIN work.sowings s USING (sowing_code) WHERE s.times = 1
),
adding_up AS (
    SELECT d.*, s.seed_lot AS sown_lot, s.sown_on, s.times, s.seeds, s.emerged_all,
        sum(d.lifted) OVER (PARTITION BY d.sowing_code ORDER BY d.visit_date, d.ended, d.instance_id)::BIGINT AS upto
    FROM work.drawn d JOIN work.sowings s USING (sowing_code)
)
SELECT instance_id, 'sown_twice' AS rule, 'sowing_code' AS field, sowing_code AS value, first AS detail FROM repeated
UNION ALL
SELECT instance_id, 'unknown_sowing', 'sowing_code', sowing_code, '' FROM named ANTI JOIN work.sowings USING (sowing_code)
UNION ALL
SELECT instance_id, 'read_before_sowing', 'visit_date', visit_date::VARCHAR, pack('{day}', ['day=@' || sown_on])
FROM counted WHERE visit_date < sown_on
UNION ALL
SELECT instance_id, 'more_trays_than_sown', 'trays_read', trays_read::VARCHAR, pack('{trays}', ['trays=#' || trays])
FROM counted WHERE trays_read > trays
UNION ALL
SELECT instance_id, 'more_emerged_than_sown', 'emerged', emerged::VARCHAR, pack('{seeds}', ['seeds=#' || seeds_read])
FROM counted WHERE emerged > seeds_read AND trays_read <= trays AND coalesce(multiple, 0) = 0
UNION ALL
SELECT instance_id, 'other_seed_lot', 'seed_lot', seed_lot, sown_lot FROM adding_up WHERE times = 1 AND seed_lot <> sown_lot
UNION ALL
SELECT instance_id, 'other_sow_date', 'sow_date', sow_date::VARCHAR, pack('{day}', ['day=@' || sown_on])
FROM adding_up WHERE times = 1 AND sow_date <> sown_on
UNION ALL
SELECT n.instance_id, 'lot_of_other_rootstock', 'seed_lot', n.seed_lot, l.rootstock
FROM work.sown n JOIN work.list_seed_lots l ON l.code = n.seed_lot WHERE l.rootstock <> n.rootstock
UNION ALL
SELECT min(instance_id), 'seeds_not_known', 'seed_lot', seed_lot, ''
FROM work.sowings WHERE seeds IS NULL AND litres IS NOT NULL GROUP BY seed_lot
UNION ALL
SELECT a.instance_id, 'more_lifted_than_emerged', 'lifted', a.upto::VARCHAR,
    CASE WHEN a.emerged_all IS NULL THEN packn('{n} seed was sown', '{n} seeds were sown', a.seeds)
        ELSE packn('{n} had come up', '{n} had come up', a.emerged_all) END
FROM adding_up a, work.settings t
WHERE a.times = 1 AND a.upto > coalesce(a.emerged_all, a.seeds)
    + greatest(t.count_plants, t.count_share * coalesce(a.emerged_all, a.seeds))
