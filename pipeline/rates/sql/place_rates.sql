-- Each place, each house with all its places, and all: what stands, what was lost there and what was to be expected, how buds
-- set there took, and what is late. Places are those of the list and those that groups stood at; `house` is empty for all.
WITH named AS (
    SELECT 'place' AS "by", location AS level, house FROM work.houses
    UNION
    SELECT 'place', p.location, coalesce(h.house, p.location) FROM work.placings p LEFT JOIN work.houses h USING (location)
),
levels AS (
    SELECT 'all' AS "by", 'all' AS level, NULL AS house
    UNION ALL
    SELECT DISTINCT 'house', house, house FROM named
    UNION ALL
    FROM named
),
late AS (
    SELECT d.task, d.days_over, d.estimate, d.group_code, d.location, coalesce(h.house, d.location) AS house
    FROM work.due d LEFT JOIN work.houses h USING (location) WHERE d.days_over > 0
),
late_at AS (
    SELECT l."by", l.level, t.* EXCLUDE (location, house)
    FROM levels l JOIN late t
        ON l."by" = 'all' OR (l."by" = 'house' AND t.house = l.level) OR (l."by" = 'place' AND t.location = l.level)
),
late_groups AS (
    SELECT "by", level, group_code, count(*) AS tasks, max(estimate) AS plants, max(days_over) AS days
    FROM late_at GROUP BY ALL
),
work_late AS (
    SELECT "by", level, sum(tasks)::BIGINT AS tasks_late, sum(plants)::BIGINT AS plants_late, max(days)::BIGINT AS days_late
    FROM late_groups GROUP BY ALL
)
SELECT v."by", v.level, v.house, coalesce(s.groups, 0) AS groups, coalesce(s.plants, 0) AS plants, s.low, s.high,
    coalesce(x.lines, 0) AS lines, coalesce(x.lost, 0) AS lost, coalesce(x.not_recorded, 0) AS not_recorded,
    coalesce(x.plant_days, 0) AS plant_days, x.loss_rate, x.loss_low, x.loss_high, x.expected, x.ratio, x.ratio_low,
    x.ratio_high, x.q_value, x.flag, coalesce(t.lots, 0) AS lots, coalesce(t.read, 0) AS read, coalesce(t.taken, 0) AS taken,
    t.take_rate, t.low AS take_low, t.high AS take_high, t.adjusted AS take_adjusted, t.adjusted_low AS take_adjusted_low,
    t.adjusted_high AS take_adjusted_high, t.q_value AS take_q_value, t.flag AS take_flag,
    coalesce(w.tasks_late, 0) AS tasks_late, coalesce(w.plants_late, 0) AS plants_late, coalesce(w.days_late, 0) AS days_late
FROM levels v
LEFT JOIN work.standing_sums s ON s."by" = v."by" AND s.level = v.level
LEFT JOIN work.place_losses x ON x."by" = v."by" AND x.level = v.level
LEFT JOIN work.take_rates t ON t."by" = v."by" AND t.level = v.level
LEFT JOIN work_late w ON w."by" = v."by" AND w.level = v.level
ORDER BY v."by", v.house NULLS FIRST, v.level
