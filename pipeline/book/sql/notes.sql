-- What is odd about accepted submissions: (group_code, instance_id, rule, field, value, detail).
WITH seen_lots AS (
    SELECT a.group_code, a.instance_id, a.visit_date - l.budded_on AS days, l.read_on = a.visit_date AS is_first
    FROM work.accepted a JOIN work.lots l USING (group_code, team_code, attempt)
    WHERE a.has_taken
),
last_readings AS (
    SELECT a.instance_id, l.*
    FROM work.accepted a JOIN work.lots l USING (group_code, team_code, attempt)
    WHERE a.has_taken
    QUALIFY row_number() OVER (PARTITION BY group_code, team_code, attempt
        ORDER BY a.visit_date DESC, a.ended DESC, a.instance_id DESC) = 1
),
before AS (
    SELECT e.group_code, e.instance_id, e.rank, max(x.rank) AS already
    FROM work.stage_events e JOIN work.stage_events x ON x.group_code = e.group_code
        AND (x.on_date, x.ended) < (e.on_date, e.ended) AND x.instance_id <> e.instance_id
    WHERE coalesce(e.attempt, 1) = 1
    GROUP BY ALL
),
below AS (
    SELECT group_code, instance_id, on_date, ended, book_after AS stands FROM work.flows WHERE book_after < 0
    QUALIFY row_number() OVER (PARTITION BY group_code ORDER BY on_date, ended, instance_id) = 1
),
accepted AS (
    SELECT a.*, o.rootstock AS group_rootstock, c.received_on, TRY_CAST(left(a.ended, 10) AS DATE) AS ended_on
    FROM work.accepted a JOIN work.current c USING (reading_id) LEFT JOIN work.origins o ON o.group_code = a.group_code
)
SELECT group_code, instance_id, 'early_reading' AS rule, 'visit_date' AS field, days::VARCHAR AS value,
    t.earliest_bud_take || ' days' AS detail FROM seen_lots, work.settings t WHERE days < t.earliest_bud_take
UNION ALL
SELECT group_code, instance_id, 'late_reading', 'visit_date', days::VARCHAR, t.latest_bud_take || ' days'
FROM seen_lots, work.settings t WHERE days > t.latest_bud_take AND is_first
UNION ALL
SELECT group_code, instance_id, 'more_read_than_set', 'green', (green + brown + unsure + missing)::VARCHAR, buds_set::VARCHAR
FROM last_readings WHERE green + brown + unsure + missing > buds_set
UNION ALL
SELECT group_code, instance_id, 'stage_out_of_order', '', '',
    ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'][already]
FROM before WHERE already > rank
UNION ALL
SELECT group_code, instance_id, 'book_below_zero', '', stands::VARCHAR, '' FROM below
UNION ALL
SELECT group_code, instance_id, 'thin_stem', 'stem_mm', stem_mm::VARCHAR, t.thin_stem_mm::VARCHAR
FROM accepted, work.settings t WHERE form_id = 'budding' AND stem_mm < t.thin_stem_mm
UNION ALL
SELECT a.group_code, a.instance_id, 'pair_on_list', 'scion', a.scion || ' on ' || a.group_rootstock, l.grade
FROM accepted a JOIN work.list_compatibility l ON l.rootstock = a.group_rootstock AND l.scion = a.scion
WHERE lower(l.grade) <> 'compatible'
UNION ALL
SELECT a.group_code, a.instance_id, 'batch_of_other_scion', 'budwood_batch', a.budwood_batch, l.scion
FROM accepted a JOIN work.list_budwood_batches l ON l.code = a.budwood_batch WHERE l.scion <> a.scion
UNION ALL
SELECT a.group_code, a.instance_id, 'lot_of_other_rootstock', 'seed_lot', a.seed_lot, l.rootstock
FROM accepted a JOIN work.list_seed_lots l ON l.code = a.seed_lot WHERE l.rootstock <> a.rootstock
UNION ALL
SELECT group_code, instance_id, 'old_list', 'list_date', (visit_date - list_date)::VARCHAR, ''
FROM accepted, work.settings t WHERE visit_date - list_date > t.old_list_days
UNION ALL
SELECT group_code, instance_id, 'clock_off', 'visit_date', ended_on::VARCHAR, visit_date::VARCHAR
FROM accepted WHERE ended_on < visit_date - 1 OR ended_on > received_on + 1
UNION ALL
SELECT group_code, string_split(instance_ids, ' ')[-1], 'outside_expected', 'counted', counted::VARCHAR,
    expected_low || ' to ' || expected_high
FROM work.counts WHERE flagged
UNION ALL
SELECT group_code, instance_id, 'other_than_ordered', 'order_ref', rootstock || '+' || coalesce(scion, 'not budded'),
    order_ref || ' asks for ' || ordered_rootstock || '+' || ordered_scion
FROM work.deliveries WHERE NOT fits
UNION ALL
SELECT group_code, instance_id, 'more_than_ordered', 'despatched', upto::VARCHAR, ordered || ' under ' || order_ref
FROM work.deliveries WHERE coalesce(fits, true) AND upto > ordered
UNION ALL
SELECT group_code, instance_id, 'delivered_early', 'despatched', quantity::VARCHAR,
    ['in trays', 'in bags', 'budded', 'read'][rank]
FROM work.deliveries WHERE rank <= 4
