-- Each order of the list: what went out for it (not what was not ordered), what is still owed, and how many trees of the pair
-- are owed to older orders (`before`). The oldest order is served first; of one day, that with the lesser code. `fault` says
-- why nothing can be planned for an order: it is owed nothing then.
WITH sent AS (
    SELECT order_ref, sum(quantity)::BIGINT AS trees FROM work.deliveries WHERE coalesce(fits, true) GROUP BY order_ref
),
told AS (
    SELECT o.code AS order_ref, o.consignee, o.rootstock, o.scion, o.wanted_on, o.quantity AS ordered,
        coalesce(s.trees, 0) AS delivered,
        CASE WHEN q.fault IS NOT NULL THEN
                pack('lists/orders.csv: order {order} is left out: its quantity {value} {why}.',
                    ['order= ' || o.code, 'value= ' || q.value, 'why=' || q.fault])
            WHEN o.quantity IS NULL THEN
                pack('lists/orders.csv: order {order} is left out: it has no quantity.', ['order= ' || o.code])
            WHEN w.fault IS NOT NULL THEN
                pack('lists/orders.csv: order {order} is left out: its wanted_on {value} {why}.',
                    ['order= ' || o.code, 'value= ' || w.value, 'why=' || w.fault])
            WHEN o.wanted_on IS NULL THEN
                pack('lists/orders.csv: order {order} is left out: it has no day wanted_on.', ['order= ' || o.code])
            WHEN o.rootstock IS NULL THEN
                pack('lists/orders.csv: order {order} is left out: it has no rootstock.', ['order= ' || o.code])
            WHEN r.code IS NULL THEN
                pack('lists/orders.csv: order {order} is left out: there is no rootstock {code} in lists/rootstocks.csv.',
                    ['order= ' || o.code, 'code= ' || o.rootstock])
            WHEN o.scion IS NULL THEN
                pack('lists/orders.csv: order {order} is left out: it has no scion.', ['order= ' || o.code])
            WHEN c.code IS NULL THEN
                pack('lists/orders.csv: order {order} is left out: there is no scion {code} in lists/scions.csv.',
                    ['order= ' || o.code, 'code= ' || o.scion])
        END AS fault
    FROM work.list_orders o
    LEFT JOIN sent s ON s.order_ref = o.code
    LEFT JOIN work.list_rootstocks r ON r.code = o.rootstock
    LEFT JOIN work.list_scions c ON c.code = o.scion
    LEFT JOIN work.unread_cells q ON q.list_name = 'orders' AND q.code = o.code AND q.field = 'quantity'
    LEFT JOIN work.unread_cells w ON w.list_name = 'orders' AND w.code = o.code AND w.field = 'wanted_on'
),
still AS (
    SELECT *, CASE WHEN fault IS NULL THEN greatest(ordered - delivered, 0) ELSE 0 END AS open FROM told
)
SELECT * EXCLUDE (fault), coalesce(sum(open) OVER (
        PARTITION BY rootstock, scion ORDER BY wanted_on, order_ref ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
    ), 0)::BIGINT AS before, fault
FROM still
ORDER BY wanted_on, order_ref
