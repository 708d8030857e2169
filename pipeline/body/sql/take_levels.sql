-- Buds of each nursery by level: set, read and taken.
WITH own AS (
    SELECT nursery, coalesce(rootstock, '?') AS rootstock, coalesce(scion, '?') AS scion, attempt::VARCHAR AS attempt, season,
        month(budded_on)::BIGINT AS month, buds_set, coalesce(green + brown + missing, 0) AS read,
        coalesce(green, 0) AS green
    FROM lots
),
levels AS (
    SELECT 'all' AS by_what, 'all' AS level, nursery, buds_set, read, green FROM own
    UNION ALL SELECT 'rootstock', rootstock, nursery, buds_set, read, green FROM own
    UNION ALL SELECT 'scion', scion, nursery, buds_set, read, green FROM own
    UNION ALL SELECT 'attempt', attempt, nursery, buds_set, read, green FROM own
    UNION ALL SELECT 'season', season, nursery, buds_set, read, green FROM own
    UNION ALL SELECT 'month', right(concat('0', month), 2), nursery, buds_set, read, green FROM own
)
SELECT by_what, level, nursery, count(*)::BIGINT AS lots, sum(buds_set)::BIGINT AS buds_set, sum(read)::BIGINT AS read,
    sum(green)::BIGINT AS taken
FROM levels WHERE level IS NOT NULL
GROUP BY by_what, level, nursery
