-- Of each month: what stood at its end by stage and in all (of the month that is not over, what stands on the day), with 95 %
-- intervals; what was lost by cause, with what went without a record as far as counts show it; what was sorted out at
-- openings. An interval of a former end is that of what is not known of each group by itself and of what counts lean by.
WITH begun AS (
    SELECT begins_on AS month, ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped', 'all'] AS stages
    FROM work.month
),
ends AS (
    SELECT month, coalesce(stage, 'all') AS level, sum(plants)::BIGINT AS plants,
        1.959964 * sqrt(sum(doubt) / 15.366 + (any_value(lean) * sum(plants)) ** 2) AS half
    FROM work.month_levels, work.shared_doubt
    GROUP BY GROUPING SETS ((month, stage), (month))
    HAVING sum(plants) > 0
),
sorted AS (
    SELECT DISTINCT group_code, instance_id FROM work.movements WHERE kind = 'opened'
),
lost AS (
    SELECT date_trunc('month', m.on_date)::DATE AS month, coalesce(m.cause, 'other') AS cause, m.quantity,
        CASE WHEN m.kind = 'culled' AND s.instance_id IS NOT NULL THEN 'culled_at_opening' ELSE 'lost' END AS kind
    FROM work.movements m LEFT JOIN sorted s USING (group_code, instance_id)
    WHERE m.kind IN ('culled', 'died', 'lost')
    UNION ALL
    SELECT date_trunc('month', on_date)::DATE, 'not_recorded', quantity, 'lost' FROM work.vanished WHERE quantity > 0
),
parts AS (
    SELECT month, 'stands' AS kind, level, plants, greatest(0, floor(plants - half))::BIGINT AS low,
        ceil(plants + half)::BIGINT AS high
    FROM ends
    UNION ALL
    SELECT b.month, 'stands', coalesce(s.level, 'all'), s.plants, s.low, s.high
    FROM work.standing_sums s, begun b WHERE s."by" IN ('all', 'stage')
    UNION ALL
    SELECT month, kind, cause, sum(quantity)::BIGINT, NULL, NULL FROM lost GROUP BY ALL
)
SELECT p.* FROM parts p, begun b
ORDER BY p.month, p.kind DESC, CASE WHEN p.kind = 'stands' THEN list_position(b.stages, p.level) END, p.plants DESC, p.level
