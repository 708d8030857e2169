-- Each team: what it budded and how it took, plainly, fairly and by odds against the others; and how much it set in a day
-- (the middle of its days, by the days of its submissions).
WITH days AS (
    SELECT a.team_code, a.visit_date, sum(b.quantity)::BIGINT AS buds_set
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word = 'set' AND a.team_code IS NOT NULL
    GROUP BY ALL
),
paces AS (
    SELECT team_code, count(*) AS days, median(buds_set)::DOUBLE AS buds_a_day FROM days GROUP BY team_code
)
SELECT t.level AS team_code, t.lots, t.buds_set, t.read, t.taken, t.take_rate, t.low, t.high, t.deff, t.adjusted,
    t.adjusted_low, t.adjusted_high, t.q_value, t.flag, r.odds_ratio, r.odds_low, r.odds_high, p.days, p.buds_a_day
FROM work.take_rates t
LEFT JOIN work.team_ratios r ON r.team_code = t.level
LEFT JOIN paces p ON p.team_code = t.level
WHERE t."by" = 'team'
ORDER BY t.level
