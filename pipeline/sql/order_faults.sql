-- Orders that cannot be planned for, and why.
SELECT o.code,
    CASE WHEN coalesce(TRY_CAST(o.quantity AS BIGINT), -1) < 0
            THEN 'its quantity ' || coalesce('''' || o.quantity || '''', 'is missing and') || ' is not a whole number'
        WHEN TRY_CAST(o.wanted_on AS DATE) IS NULL
            THEN 'its day wanted_on ' || coalesce('''' || o.wanted_on || '''', 'is missing and') || ' is not written as 2026-03-02'
        WHEN r.code IS NULL THEN 'there is no rootstock ' || coalesce(o.rootstock, '(none given)') || ' in lists/rootstocks.csv'
        WHEN c.code IS NULL THEN 'there is no scion ' || coalesce(o.scion, '(none given)') || ' in lists/scions.csv'
    END AS fault
FROM work.list_orders o
LEFT JOIN work.list_rootstocks r ON r.code = o.rootstock
LEFT JOIN work.list_scions c ON c.code = o.scion
WHERE coalesce(TRY_CAST(o.quantity AS BIGINT), -1) < 0 OR TRY_CAST(o.wanted_on AS DATE) IS NULL OR r.code IS NULL OR c.code IS NULL
ORDER BY o.code
