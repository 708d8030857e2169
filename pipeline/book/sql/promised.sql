-- Trees that are still owed to orders, by pair: what was ordered less what went out for it (not what was not ordered).
WITH sent AS (
    SELECT order_ref AS code, sum(quantity)::BIGINT AS trees FROM work.deliveries WHERE coalesce(fits, true) GROUP BY order_ref
),
owed AS (
    SELECT o.rootstock, o.scion, greatest(o.quantity - coalesce(s.trees, 0), 0) AS trees
    FROM work.list_orders o LEFT JOIN sent s USING (code)
    WHERE o.quantity IS NOT NULL AND o.wanted_on IS NOT NULL
)
SELECT rootstock, scion, sum(trees)::BIGINT AS trees
FROM owed GROUP BY rootstock, scion HAVING sum(trees) > 0 ORDER BY rootstock, scion
