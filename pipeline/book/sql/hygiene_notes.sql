-- What is odd about hygiene and budwood: (instance_id, rule, field, value, detail). A batch, and a team's day, is said once.
WITH facts AS (
    SELECT c.instance_id, c.budwood_batch, f.field, f.value, row_number() OVER (PARTITION BY c.budwood_batch, f.field
        ORDER BY c.cut_on, c.ended, c.instance_id) AS turn, first(f.value) OVER (PARTITION BY c.budwood_batch, f.field
        ORDER BY c.cut_on, c.ended, c.instance_id) AS first_value
    FROM work.cuts c, unnest([{'field': 'scion', 'value': c.scion}, {'field': 'source_block', 'value': c.source_block},
        {'field': 'source_tree', 'value': c.source_tree}, {'field': 'visit_date', 'value': c.cut_on::VARCHAR},
        {'field': 'authorisation', 'value': c.authorisation}]) u(f)
    WHERE f.value IS NOT NULL
),
listed AS (
    SELECT l.code, f.field, f.value
    FROM work.list_budwood_batches l, unnest([{'field': 'scion', 'value': l.scion},
        {'field': 'source_block', 'value': l.source_block}, {'field': 'source_tree', 'value': l.source_tree},
        {'field': 'visit_date', 'value': l.cut_on::VARCHAR}, {'field': 'authorisation', 'value': l.authorisation}]) u(f)
    WHERE f.value IS NOT NULL
),
counted AS (
    SELECT budwood_batch, max(instance_id) AS instance_id, sum(buds)::BIGINT AS buds FROM work.cuts GROUP BY budwood_batch
),
sets AS (
    SELECT a.instance_id, a.visit_date, b.quantity, l.*, sum(b.quantity) OVER so_far::BIGINT AS upto,
        row_number() OVER so_far AS turn
    FROM work.accepted a JOIN work.bookings b USING (reading_id) JOIN work.budwood_batches l ON l.code = a.budwood_batch
    WHERE b.word = 'set' AND b.quantity > 0
    WINDOW so_far AS (PARTITION BY a.budwood_batch ORDER BY a.visit_date, a.ended, a.instance_id, b.question)
),
never AS (
    SELECT count(DISTINCT coalesce(team_code, staff_code)) AS many,
        array_to_string(list_sort(list(DISTINCT coalesce(team_code, staff_code)))[:8], ', ') AS who
    FROM work.hygiene WHERE state = 'none recorded'
)
SELECT f.instance_id, 'batch_told_otherwise' AS rule, f.field, f.value,
    pack('lists/budwood_batches.csv has {other} for {batch}', ['other= ' || l.value, 'batch= ' || l.code]) AS detail
FROM facts f JOIN listed l ON l.code = f.budwood_batch AND l.field = f.field WHERE l.value <> f.value
UNION ALL
SELECT instance_id, 'batch_told_otherwise', field, value,
    pack('an earlier record has {other} for {batch}', ['other= ' || first_value, 'batch= ' || budwood_batch])
FROM facts WHERE value <> first_value
UNION ALL
SELECT c.instance_id, 'batch_told_otherwise', 'buds', c.buds::VARCHAR,
    pack('lists/budwood_batches.csv has {other} for {batch}', ['other= ' || l.buds, 'batch= ' || l.code])
FROM counted c JOIN work.list_budwood_batches l ON l.code = c.budwood_batch WHERE l.buds <> c.buds
UNION ALL
SELECT instance_id, 'no_authorisation', 'budwood_batch', code, '' FROM sets WHERE turn = 1 AND authorisation IS NULL
UNION ALL
SELECT instance_id, 'old_budwood', 'budwood_batch', code,
    pack('{days}, and the limit is {limit}', ['days=#' || (visit_date - cut_on), 'limit=#' || t.budwood_days])
FROM sets, work.settings t WHERE visit_date - cut_on > t.budwood_days
UNION ALL
SELECT instance_id, 'set_before_cut', 'budwood_batch', code, pack('{day}', ['day=@' || cut_on])
FROM sets WHERE visit_date < cut_on
UNION ALL
SELECT instance_id, 'more_set_than_cut', 'budwood_batch', code,
    pack('{buds} set, {cut} cut', ['buds=#' || upto, 'cut=#' || buds])
FROM sets WHERE upto > buds AND upto - quantity <= buds
UNION ALL
SELECT instance_id, 'steam_too_little', CASE state WHEN 'too short' THEN 'ended_at' ELSE 'temperature_c' END,
    CASE state WHEN 'too short' THEN minutes::VARCHAR ELSE temperature_c::VARCHAR END,
    CASE state WHEN 'too short' THEN pack('minutes; the nursery wants {n}', ['n=#' || set_minutes])
        ELSE pack('°C; the nursery wants {n}', ['n=' || printf('%g', set_celsius)]) END
FROM work.hygiene WHERE state IN ('too short', 'too cool')
UNION ALL
SELECT instance_id, 'knives_between_cultivars', '', coalesce(team_code, staff_code),
    pack('{n} of {changes} on {day}', ['n=#' || not_between, 'changes=#' || changes, 'day=@' || on_date])
FROM work.hygiene WHERE state = 'not between cultivars'
UNION ALL
SELECT instance_id, 'knives_overdue', '', coalesce(team_code, staff_code),
    pack('{n} on {day}; the nursery wants {limit} at most',
        ['n=#' || most_groups, 'day=@' || on_date, 'limit=#' || t.knives_groups])
FROM work.hygiene, work.settings t WHERE state = 'too many groups'
UNION ALL
SELECT (SELECT min(instance_id) FROM work.hygiene WHERE state = 'none recorded'), 'knives_never', '', many::VARCHAR, who
FROM never WHERE many > 0
