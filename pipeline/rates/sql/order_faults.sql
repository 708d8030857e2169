-- Orders that cannot be planned for, and why.
SELECT o.code,
    CASE WHEN q.fault IS NOT NULL THEN 'its quantity ' || q.value || ' ' || q.fault
        WHEN o.quantity IS NULL THEN 'it has no quantity'
        WHEN w.fault IS NOT NULL THEN 'its wanted_on ' || w.value || ' ' || w.fault
        WHEN o.wanted_on IS NULL THEN 'it has no day wanted_on'
        WHEN r.code IS NULL THEN 'there is no rootstock ' || coalesce(o.rootstock, '(none given)') || ' in lists/rootstocks.csv'
        WHEN c.code IS NULL THEN 'there is no scion ' || coalesce(o.scion, '(none given)') || ' in lists/scions.csv'
    END AS fault
FROM work.list_orders o
LEFT JOIN work.list_rootstocks r ON r.code = o.rootstock
LEFT JOIN work.list_scions c ON c.code = o.scion
LEFT JOIN work.unread_cells q ON q.list_name = 'orders' AND q.code = o.code AND q.field = 'quantity'
LEFT JOIN work.unread_cells w ON w.list_name = 'orders' AND w.code = o.code AND w.field = 'wanted_on'
WHERE o.quantity IS NULL OR o.wanted_on IS NULL OR r.code IS NULL OR c.code IS NULL
ORDER BY o.code
