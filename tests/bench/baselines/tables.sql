-- Take by team, rootstock and scion; survival by stage; every count against the running book. One query over the tables as
-- they came, edits left out of what they edit. (what, level, detail, n, of): n plants or buds of so many.
WITH heads AS (
    SELECT KEY, group_code, visit_date, "end", 'open_group' AS form, planted AS change, NULL::INTEGER AS found, 1 AS stage,
        'whole' AS coverage, 0 AS lost FROM open_group
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'cull_round', -o, counted, 0, coverage, o
    FROM (SELECT *, cull_off_type + cull_bent_root + cull_etiolated + cull_weak + cull_disease + cull_other + dead AS o
        FROM cull_round)
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'bag_up', -o, bagged + o, 2, coverage, o
    FROM (SELECT *, cull_off_type + cull_bent_root + cull_weak + cull_disease + cull_other + dead AS o FROM bag_up)
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'budding', 0, NULL, 3, 'whole', 0 FROM budding
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'bud_take', -missing, NULL, 4, 'whole', missing FROM bud_take
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'cut_back', -o, cut + not_ready + o, 5, coverage, o
    FROM (SELECT *, cull_off_type + cull_weak + cull_disease + cull_bud_failed + cull_other + dead AS o FROM cut_back)
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'stake', -o, staked + not_ready + o, 6, coverage, o
    FROM (SELECT *, cull_off_type + cull_weak + cull_disease + cull_bud_failed + cull_other + dead AS o FROM stake)
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'top', -o, topped + not_ready + o, 7, coverage, o
    FROM (SELECT *, cull_off_type + cull_weak + cull_disease + cull_bud_failed + cull_other + dead AS o FROM top)
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'stock_count', 0, counted, 0, coverage, 0 FROM stock_count
    WHERE KEY NOT IN (SELECT deprecatedID FROM stock_count WHERE deprecatedID IS NOT NULL)
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'loss', -lost, NULL, 0, 'whole', lost FROM loss
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'transfer', -moved, NULL, 0, 'whole', 0 FROM transfer
    UNION ALL
    SELECT KEY, to_group, visit_date, "end", 'transfer', moved, NULL, 4, 'whole', 0 FROM transfer
    UNION ALL
    SELECT KEY, group_code, visit_date, "end", 'despatch', -despatched, NULL, 0, 'whole', 0 FROM despatch
),
booked AS (
    SELECT *, coalesce(sum(change) OVER before, 0) AS book, coalesce(max(stage) OVER before, 0) AS stage_before
    FROM heads
    WINDOW before AS (PARTITION BY group_code ORDER BY visit_date, "end", KEY ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
),
parts AS (
    SELECT *, count(*) FILTER (coverage = 'last_part') OVER (PARTITION BY group_code, form ORDER BY visit_date, "end", KEY
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS number
    FROM booked WHERE coverage <> 'whole' AND found IS NOT NULL
),
differences AS (
    SELECT group_code, visit_date, found - book AS difference FROM booked WHERE found IS NOT NULL AND coverage = 'whole'
    UNION ALL
    SELECT group_code, max(visit_date), sum(found) - max_by(book, visit_date) - sum(lost) FILTER (coverage = 'part')
    FROM parts GROUP BY group_code, form, number HAVING bool_or(coverage = 'last_part') AND bool_or(coverage = 'part')
),
came AS (SELECT stage, sum(book + change) AS plants FROM booked WHERE stage > stage_before GROUP BY stage),
gone AS (SELECT stage_before AS stage, sum(lost) AS plants FROM booked WHERE lost > 0 GROUP BY stage_before),
origins AS (
    SELECT group_code, any_value(rootstock) AS rootstock FROM open_group GROUP BY group_code
    UNION
    SELECT to_group, any_value(rootstock) FROM transfer JOIN open_group USING (group_code) GROUP BY to_group
),
lots AS (SELECT group_code, team_code, attempt, any_value(scion) AS scion FROM budding GROUP BY ALL),
reads AS (
    SELECT team_code, rootstock, scion, green, green + brown + missing AS buds
    FROM bud_take JOIN lots USING (group_code, team_code, attempt) JOIN origins USING (group_code)
)
SELECT 'take' AS what, coalesce(team_code, rootstock, scion) AS level,
    CASE WHEN team_code IS NOT NULL THEN 'team' WHEN rootstock IS NOT NULL THEN 'rootstock' ELSE 'scion' END AS detail,
    sum(green)::BIGINT AS n, sum(buds)::BIGINT AS of
FROM reads GROUP BY GROUPING SETS (team_code, rootstock, scion)
UNION ALL
SELECT 'survival', stage::VARCHAR, '', (came.plants - coalesce(gone.plants, 0))::BIGINT, came.plants::BIGINT
FROM came LEFT JOIN gone USING (stage)
UNION ALL
SELECT 'count', group_code, visit_date::VARCHAR, difference::BIGINT, NULL FROM differences
