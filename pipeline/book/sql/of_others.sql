-- For each count, how likely its number would be had another group of the same place been counted: the share of the
-- numbers (not 0) left by counts of other groups there, within two plants and about two months, that it could be. To a power
-- of two: the neighbours' next counts should not make this group's arithmetic new.
WITH left_there AS (
    SELECT group_code, location, date_diff('day', DATE '2000-01-01', on_date) // 60 AS span, counted - taken_out AS number
    FROM work.chain_nodes WHERE kind = 'count' AND location IS NOT NULL AND counted - taken_out > 0
),
near AS (
    SELECT unnest([-2, -1, 0, 1, 2]) AS off, unnest([1, 2, 4, 2, 1]) AS tenths
),
by_group AS (
    SELECT l.group_code, l.location, l.span + s.shift AS span, l.number + n.off AS number, sum(n.tenths)::BIGINT AS tenths
    FROM left_there l, near n, (SELECT unnest([-1, 0, 1]) AS shift) s
    GROUP BY ALL
),
by_place AS (
    SELECT location, span, number, sum(tenths)::BIGINT AS tenths FROM by_group GROUP BY ALL
),
sizes AS (
    SELECT location, span + shift AS span, count(*) AS numbers
    FROM left_there, (SELECT unnest([-1, 0, 1]) AS shift) GROUP BY ALL
),
own_sizes AS (
    SELECT group_code, location, span + shift AS span, count(*) AS numbers
    FROM left_there, (SELECT unnest([-1, 0, 1]) AS shift) GROUP BY ALL
),
asked AS (
    SELECT group_code, position, location, counted AS number, date_diff('day', DATE '2000-01-01', on_date) // 60 AS span
    FROM work.chain_nodes WHERE kind = 'count' AND location IS NOT NULL
)
SELECT a.group_code, a.position, location,
    2.0 ** round(log2((p.tenths - coalesce(o.tenths, 0)) / (10 * (z.numbers - coalesce(y.numbers, 0))))) AS chance
FROM asked a
JOIN by_place p USING (location, span, number)
JOIN sizes z USING (location, span)
LEFT JOIN by_group o USING (group_code, location, span, number)
LEFT JOIN own_sizes y USING (group_code, location, span)
WHERE z.numbers > coalesce(y.numbers, 0) AND p.tenths > coalesce(o.tenths, 0)
