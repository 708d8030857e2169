-- The nodes that rates of counting are learned from: those of the months before this one (all, while these hold fewer than
-- 200 counts), of at most 1,500 groups, drawn by their codes.
WITH earlier AS (
    SELECT (DATE '1970-01-01' + on_day::INTEGER) < m.begins_on AS is_earlier, n.* FROM work.chain_input n, work.month m
),
enough AS (
    SELECT count(*) FILTER (WHERE is_earlier AND counted >= 0) >= 200 AS is_enough FROM earlier
),
usable AS (
    SELECT e.* EXCLUDE (is_earlier) FROM earlier e, enough WHERE e.is_earlier OR NOT enough.is_enough
),
drawn AS (
    SELECT group_code FROM (SELECT DISTINCT group_code FROM usable) ORDER BY md5(group_code), group_code LIMIT 1500
)
SELECT u.* FROM usable u SEMI JOIN drawn USING (group_code)
