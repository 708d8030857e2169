-- Orders that cannot be planned for, and why.
SELECT o.code,
    CASE WHEN o.quantity IS NULL THEN 'it has no quantity'
        WHEN coalesce(TRY_CAST(o.quantity AS BIGINT), -1) < 0
            THEN 'its quantity ' || o.quantity || ' is not a whole number, written in digits only'
        WHEN o.wanted_on IS NULL THEN 'it has no day wanted_on'
        WHEN TRY_CAST(o.wanted_on AS DATE) IS NULL THEN 'its day wanted_on ' || o.wanted_on || ' is not written as 2026-03-02'
        WHEN r.code IS NULL THEN 'there is no rootstock ' || coalesce(o.rootstock, '(none given)') || ' in lists/rootstocks.csv'
        WHEN c.code IS NULL THEN 'there is no scion ' || coalesce(o.scion, '(none given)') || ' in lists/scions.csv'
    END AS fault
FROM work.list_orders o
LEFT JOIN work.list_rootstocks r ON r.code = o.rootstock
LEFT JOIN work.list_scions c ON c.code = o.scion
WHERE coalesce(TRY_CAST(o.quantity AS BIGINT), -1) < 0 OR TRY_CAST(o.wanted_on AS DATE) IS NULL
    OR r.code IS NULL OR c.code IS NULL
ORDER BY o.code
