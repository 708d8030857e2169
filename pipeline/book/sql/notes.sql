-- What is odd about accepted submissions: (group_code, instance_id, rule, field, value, detail).
WITH seen_lots AS (
    SELECT a.group_code, a.instance_id, a.visit_date - l.budded_on AS days, l.read_on = a.visit_date AS is_first
    FROM work.accepted a JOIN work.lots l USING (group_code, team_code, attempt)
    WHERE a.has_taken
),
last_readings AS (
    SELECT a.instance_id, a.lot_said, l.*
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
-- a tree is cut back, staked or topped only where buds were set, or where plants came from such a group
too_early AS (
    SELECT e.group_code, e.instance_id, e.stage
    FROM work.stage_events e LEFT JOIN work.budded_since b USING (group_code)
    WHERE e.rank >= 5 AND (b.since IS NULL OR b.since > e.on_date)
),
-- failed buds that both the reading and a transfer move, all of one reading or all of that day
aside AS (
    SELECT a.group_code, a.moves_to, a.visit_date, a.instance_id, sum(b.quantity)::BIGINT AS moved
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word = 'failed' AND a.moves_to IS NOT NULL AND b.quantity > 0
    GROUP BY ALL
),
asides AS (
    SELECT group_code, moves_to, visit_date, instance_id AS instance_ids, moved FROM aside
    UNION ALL
    SELECT group_code, moves_to, visit_date, string_agg(instance_id, ', ' ORDER BY instance_id), sum(moved)::BIGINT
    FROM aside GROUP BY group_code, moves_to, visit_date HAVING count(*) > 1
),
moved_twice AS (
    SELECT a.group_code, a.instance_id, b.quantity AS moved, x.instance_ids
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    JOIN asides x ON x.group_code = a.group_code AND x.moves_to = a.moves_to AND x.moved = b.quantity
        AND abs(x.visit_date - a.visit_date) <= 2
    WHERE b.word = 'moves' AND a.transfer_reason = 'set_aside'
    QUALIFY row_number() OVER (PARTITION BY a.instance_id
        ORDER BY abs(x.visit_date - a.visit_date), x.visit_date, x.instance_ids) = 1
),
-- buds set at one attempt, as they add up, beside the plants that can have been there for them
buddings AS (
    SELECT a.group_code, a.attempt, a.team_code, a.visit_date, a.ended, a.instance_id, b.quantity AS buds_set
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word = 'set' AND a.attempt IS NOT NULL
),
adding_up AS (
    SELECT *, sum(buds_set) OVER same::BIGINT AS buds, first(visit_date) OVER same AS first_on,
        first(ended) OVER same AS first_ended, lag(instance_id) OVER same AS before
    FROM buddings
    WINDOW same AS (PARTITION BY group_code, attempt ORDER BY visit_date, ended, instance_id)
),
room AS (
    SELECT a.group_code, a.instance_id, a.attempt, a.buds, a.before,
        coalesce(max_by(f.book_after, (f.on_date, f.ended, f.instance_id))
            FILTER (WHERE f.on_date < a.first_on OR (f.on_date = a.first_on AND f.ended <= a.first_ended)), 0)
        + coalesce(sum(f.net) FILTER (WHERE f.net > 0
            AND NOT (f.on_date < a.first_on OR (f.on_date = a.first_on AND f.ended <= a.first_ended))), 0) AS plants
    FROM adding_up a JOIN work.flows f ON f.group_code = a.group_code AND f.on_date <= a.visit_date
    GROUP BY ALL
),
budded_twice AS (
    SELECT r.* FROM room r, work.settings t WHERE r.buds > r.plants + greatest(t.count_plants, t.count_share * r.plants)
),
set_after_reading AS (
    SELECT b.group_code, b.instance_id, b.team_code, b.attempt, l.read_on
    FROM buddings b JOIN work.lots l USING (group_code, team_code, attempt) ANTI JOIN budded_twice USING (instance_id)
    WHERE l.read_on < b.visit_date
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
    t.earliest_bud_take::VARCHAR AS detail FROM seen_lots, work.settings t WHERE days BETWEEN 0 AND t.earliest_bud_take - 1
UNION ALL
SELECT group_code, instance_id, 'late_reading', 'visit_date', days::VARCHAR, t.latest_bud_take::VARCHAR
FROM seen_lots, work.settings t WHERE days > t.latest_bud_take AND is_first
UNION ALL
SELECT group_code, instance_id, 'more_read_than_set', 'green', (green + brown + unsure + missing)::VARCHAR,
    pack('{buds}', ['buds=#' || buds_set])
FROM last_readings WHERE green + brown + unsure + missing > buds_set
UNION ALL
SELECT group_code, instance_id, 'fewer_read_than_set', 'green', (green + brown + unsure + missing)::VARCHAR,
    CASE WHEN lot_said = 'all' THEN pack('{buds}; on the phone it was said that these are all', ['buds=#' || buds_set])
        ELSE pack('{buds}', ['buds=#' || buds_set]) END
FROM last_readings, work.settings t WHERE green + brown + unsure + missing < t.lot_read_share * buds_set
UNION ALL
SELECT group_code, instance_id, 'moved_twice', 'moved', moved::VARCHAR, instance_ids FROM moved_twice
UNION ALL
SELECT group_code, instance_id, 'budded_twice', 'attempt', attempt::VARCHAR,
    CASE WHEN before IS NULL THEN pack('buds set at that attempt, with these: {buds}; plants: {plants}',
            ['buds=#' || buds, 'plants=#' || plants])
        ELSE pack('buds set at that attempt, with these: {buds}; plants: {plants} (the one before is {before})',
            ['buds=#' || buds, 'plants=#' || plants, 'before=' || before]) END
FROM budded_twice
UNION ALL
SELECT group_code, instance_id, 'set_after_reading', 'attempt', attempt::VARCHAR, 
    pack('{team} were read on {day}', ['team=' || team_code, 'day=@' || read_on])
FROM set_after_reading
UNION ALL
SELECT group_code, instance_id, 'not_counted_again', '', '', ''
FROM accepted WHERE counted_again = 'cannot' OR lot_said = 'cannot'
UNION ALL
SELECT group_code, instance_id, 'stage_out_of_order', '', '',
    pack('it was at this stage already: {stage}', ['stage=' || [pack('in trays'), pack('in bags'), pack('budded'),
        pack('buds read'), pack('cut back'), pack('staked'), pack('topped')][already]])
FROM before WHERE already > rank
UNION ALL
SELECT group_code, instance_id, 'stage_out_of_order', '', '',
    pack('no buds were ever set on its plants, so it cannot be at this stage: {stage}', ['stage=' || CASE stage
        WHEN 'cut_back' THEN pack('cut back') WHEN 'staked' THEN pack('staked') WHEN 'topped' THEN pack('topped')
        ELSE stage END])
FROM too_early
UNION ALL
SELECT group_code, instance_id, 'book_below_zero', '', stands::VARCHAR, '' FROM below
UNION ALL
SELECT group_code, instance_id, 'thin_stem', 'stem_mm', stem_mm::VARCHAR, t.thin_stem_mm::VARCHAR
FROM accepted, work.settings t WHERE form_id = 'budding' AND stem_mm < t.thin_stem_mm
UNION ALL
SELECT a.group_code, a.instance_id, 'pair_on_list', 'scion', a.scion || ' + ' || a.group_rootstock, l.grade
FROM accepted a JOIN work.list_compatibility l ON l.rootstock = a.group_rootstock AND l.scion = a.scion
WHERE lower(l.grade) <> 'compatible'
UNION ALL
SELECT a.group_code, a.instance_id, 'batch_of_other_scion', 'budwood_batch', a.budwood_batch, l.scion
FROM accepted a JOIN work.budwood_batches l ON l.code = a.budwood_batch WHERE l.scion <> a.scion
UNION ALL
SELECT a.group_code, a.instance_id, 'lot_of_other_rootstock', 'seed_lot', a.seed_lot, l.rootstock
FROM accepted a JOIN work.list_seed_lots l ON l.code = a.seed_lot WHERE l.rootstock <> a.rootstock
UNION ALL
SELECT group_code, instance_id, 'old_list', 'list_date', (visit_date - list_date)::VARCHAR,
    pack('{day}', ['day=@' || list_date])
FROM accepted, work.settings t WHERE visit_date - list_date > t.old_list_days
UNION ALL
SELECT group_code, instance_id, 'clock_off', 'visit_date', ended_on::VARCHAR,
    pack('{day}', ['day=@' || visit_date])
FROM accepted WHERE ended_on < visit_date - 1 OR ended_on > received_on + 1
UNION ALL
SELECT group_code, string_split(instance_ids, ' ')[-1], 'outside_expected', 'counted', counted::VARCHAR,
    pack('{low} to {high}', ['low=#' || expected_low, 'high=#' || expected_high])
FROM work.counts WHERE flagged
UNION ALL
SELECT group_code, instance_id, 'other_than_ordered', 'order_ref', rootstock || ' + ' || coalesce(scion, pack('not budded')),
    pack('{order} asks for {rootstock} + {scion}', ['order=' || order_ref, 'rootstock=' || ordered_rootstock,
        'scion=' || ordered_scion])
FROM work.deliveries WHERE NOT fits
UNION ALL
SELECT group_code, instance_id, 'other_consignee', 'consignee', consignee,
    pack('{order} is for {consignee}', ['order= ' || order_ref, 'consignee= ' || ordered_consignee])
FROM work.deliveries WHERE to_other
UNION ALL
SELECT group_code, instance_id, 'more_than_ordered', 'despatched', upto::VARCHAR,
    pack('{trees} under {order}', ['trees=#' || ordered, 'order=' || order_ref])
FROM work.deliveries WHERE coalesce(fits, true) AND upto > ordered
UNION ALL
SELECT group_code, instance_id, 'delivered_early', 'despatched', quantity::VARCHAR,
    [pack('in trays'), pack('in bags'), pack('budded'), pack('buds read')][rank]
FROM work.deliveries WHERE rank <= 4
