-- For each count, how likely its number would be had another group been counted that the same person counted that day: the one
-- before or after it (by the time of saving), or any.
WITH walked AS (
    SELECT group_code, position, walk, ended, counted FROM work.chain_nodes WHERE walk IS NOT NULL AND counted > 0
),
beside AS (
    SELECT *, lag(group_code) OVER own AS group_before, lag(counted) OVER own AS before,
        lead(group_code) OVER own AS group_after, lead(counted) OVER own AS after
    FROM walked
    WINDOW own AS (PARTITION BY walk ORDER BY ended, group_code, position)
),
near AS (
    SELECT unnest([0, 1, 2]) AS off, unnest([4, 2, 1]) AS tenths
),
told AS (
    SELECT b.group_code, b.position, b.walk, 'beside' AS of, 10 AS of_tenths, coalesce(n.tenths, 0) AS tenths
    FROM beside b LEFT JOIN near n ON n.off = abs(b.counted - b.before)
    WHERE b.group_before <> b.group_code
    UNION ALL
    SELECT b.group_code, b.position, b.walk, 'beside', 10, coalesce(n.tenths, 0)
    FROM beside b LEFT JOIN near n ON n.off = abs(b.counted - b.after)
    WHERE b.group_after <> b.group_code
    UNION ALL
    SELECT a.group_code, a.position, a.walk, 'walk', 10, coalesce(n.tenths, 0)
    FROM walked a JOIN walked o ON o.walk = a.walk AND o.group_code <> a.group_code
    LEFT JOIN near n ON n.off = abs(a.counted - o.counted)
)
SELECT group_code, position, walk,
    sum(tenths) FILTER (WHERE of = 'beside') / sum(of_tenths) FILTER (WHERE of = 'beside') AS beside,
    sum(tenths) FILTER (WHERE of = 'walk') / sum(of_tenths) FILTER (WHERE of = 'walk') AS walked
FROM told GROUP BY ALL
