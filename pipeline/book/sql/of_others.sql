-- For each count, how likely its number would be had another group of the same place, or of the same house, been counted:
-- the share of the numbers (not 0) left by counts of other groups there, within two plants and about two months, that it
-- could be. To a power of two: the neighbours' next counts should not make this group's arithmetic new.
WITH numbers AS (
    SELECT group_code, position, house, location AS place, date_diff('day', DATE '2000-01-01', on_date) // 60 AS span, counted,
        counted - taken_out AS number
    FROM work.chain_nodes WHERE kind = 'count' AND location IS NOT NULL
    UNION ALL
    SELECT group_code, position, house, 'in ' || house, date_diff('day', DATE '2000-01-01', on_date) // 60, counted,
        counted - taken_out
    FROM work.chain_nodes WHERE kind = 'count' AND house <> location
),
left_there AS (
    SELECT * FROM numbers WHERE number > 0
),
near AS (
    SELECT unnest([-2, -1, 0, 1, 2]) AS off, unnest([1, 2, 4, 2, 1]) AS tenths
),
by_group AS (
    SELECT l.group_code, l.place, l.span + s.shift AS span, l.number + n.off AS number, sum(n.tenths)::BIGINT AS tenths
    FROM left_there l, near n, (SELECT unnest([-1, 0, 1]) AS shift) s
    GROUP BY ALL
),
by_place AS (
    SELECT place, span, number, sum(tenths)::BIGINT AS tenths FROM by_group GROUP BY ALL
),
sizes AS (
    SELECT place, span + shift AS span, count(*) AS numbers
    FROM left_there, (SELECT unnest([-1, 0, 1]) AS shift) GROUP BY ALL
),
own_sizes AS (
    SELECT group_code, place, span + shift AS span, count(*) AS numbers
    FROM left_there, (SELECT unnest([-1, 0, 1]) AS shift) GROUP BY ALL
),
said AS (
    SELECT a.group_code, a.position, a.house, a.place LIKE 'in %' AS is_house,
        2.0 ** round(log2((p.tenths - coalesce(o.tenths, 0)) / (10 * (z.numbers - coalesce(y.numbers, 0))))) AS chance
    FROM numbers a
    JOIN by_place p ON p.place = a.place AND p.span = a.span AND p.number = a.counted
    JOIN sizes z ON z.place = a.place AND z.span = a.span
    LEFT JOIN by_group o ON o.group_code = a.group_code AND o.place = a.place AND o.span = a.span AND o.number = a.counted
    LEFT JOIN own_sizes y ON y.group_code = a.group_code AND y.place = a.place AND y.span = a.span
    WHERE z.numbers > coalesce(y.numbers, 0) AND p.tenths > coalesce(o.tenths, 0)
)
SELECT group_code, position, house, max(chance) FILTER (WHERE NOT is_house) AS at_place,
    max(chance) FILTER (WHERE is_house) AS in_house
FROM said GROUP BY ALL
