-- Trees that are still owed to orders, by pair: what was ordered less what went out for it.
WITH sent AS (
    SELECT a.order_ref AS code, sum(m.quantity)::BIGINT AS trees
    FROM work.movements m JOIN work.accepted a USING (instance_id)
    WHERE m.kind = 'despatched' AND a.order_ref IS NOT NULL
    GROUP BY a.order_ref
),
owed AS (
    SELECT o.rootstock, o.scion, greatest(TRY_CAST(o.quantity AS BIGINT) - coalesce(s.trees, 0), 0) AS trees
    FROM work.list_orders o LEFT JOIN sent s USING (code)
    WHERE TRY_CAST(o.quantity AS BIGINT) > 0 AND TRY_CAST(o.wanted_on AS DATE) IS NOT NULL
)
SELECT rootstock, scion, sum(trees)::BIGINT AS trees
FROM owed GROUP BY rootstock, scion HAVING sum(trees) > 0 ORDER BY rootstock, scion
