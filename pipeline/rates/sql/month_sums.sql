-- One row for each month from the first opening to the month of the day: what was begun, read, lost, sent out and stood, in
-- whole plants, and what limits of its losses rest on (`units`, `yy`, `yn`, `nn`: groups with plants at risk, sums of squares
-- and products of lost and at risk). Of the month that is not over nothing is at risk yet.
WITH months AS (
    SELECT unnest(generate_series(date_trunc('month', b.on_date), m.begins_on, INTERVAL 1 MONTH))::DATE AS month
    FROM (SELECT min(on_date) AS on_date FROM work.movements) b, work.month m
),
moved AS (
    SELECT date_trunc('month', on_date)::DATE AS month, sum(quantity) FILTER (WHERE kind = 'opened') AS opened,
        sum(quantity) FILTER (WHERE kind = 'despatched') AS delivered
    FROM work.movements GROUP BY ALL
),
budded AS (
    SELECT date_trunc('month', budded_on)::DATE AS month, sum(buds_set) AS budded FROM work.lots GROUP BY ALL
),
parts AS (
    SELECT month, sum(plants) FILTER (WHERE kind = 'culled_at_opening') AS culled_at_opening,
        sum(plants) FILTER (WHERE kind = 'lost' AND level <> 'not_recorded') AS lost,
        sum(plants) FILTER (WHERE kind = 'lost' AND level = 'not_recorded') AS not_recorded,
        max(plants) FILTER (WHERE kind = 'stands' AND level = 'all') AS stands,
        max(low) FILTER (WHERE kind = 'stands' AND level = 'all') AS low,
        max(high) FILTER (WHERE kind = 'stands' AND level = 'all') AS high
    FROM work.month_parts GROUP BY month
),
risked AS (
    SELECT month, count(*) AS units, sum(at_risk)::BIGINT AS at_risk, sum(least(lost, at_risk))::BIGINT AS y,
        sum(least(lost, at_risk) ** 2)::BIGINT AS yy, sum(least(lost, at_risk) * at_risk)::BIGINT AS yn,
        sum(at_risk ** 2)::BIGINT AS nn
    FROM work.month_levels WHERE at_risk > 0 GROUP BY month
),
takes AS (
    SELECT level AS month, read, taken, take_rate, low, high, deff FROM work.take_rates WHERE "by" = 'read_in'
)
SELECT month, least(d.as_of, (month + INTERVAL 1 MONTH)::DATE - 1) AS until_on, month < w.begins_on AS is_over,
    coalesce(v.opened, 0)::BIGINT AS opened, coalesce(p.culled_at_opening, 0)::BIGINT AS culled_at_opening,
    coalesce(b.budded, 0)::BIGINT AS budded, coalesce(t.read, 0) AS read, coalesce(t.taken, 0) AS taken, t.take_rate,
    t.low AS take_low, t.high AS take_high, coalesce(t.deff, 1) AS take_deff, coalesce(p.lost, 0)::BIGINT AS lost,
    coalesce(p.not_recorded, 0)::BIGINT AS not_recorded, coalesce(v.delivered, 0)::BIGINT AS delivered,
    coalesce(p.stands, 0) AS stands, coalesce(p.low, 0) AS stands_low,
    coalesce(p.high, 0) AS stands_high, coalesce(r.units, 0) AS units,
    coalesce(r.at_risk, 0) AS at_risk, coalesce(r.y, 0) AS y, coalesce(r.yy, 0) AS yy, coalesce(r.yn, 0) AS yn,
    coalesce(r.nn, 0) AS nn
FROM months CROSS JOIN work.day d CROSS JOIN work.month w
LEFT JOIN moved v USING (month) LEFT JOIN budded b USING (month) LEFT JOIN parts p USING (month)
LEFT JOIN risked r USING (month)
LEFT JOIN takes t ON t.month = strftime(months.month, '%Y-%m')
ORDER BY month
