-- Notes on scouting, once a place and month, on treatments, and on the clocks of phones that saved what is about no group:
-- (instance_id, rule, field, value, detail).
SELECT 'scouting:' || location || ':' || strftime(on_date, '%Y-%m') AS instance_id, 'few_examined' AS rule,
    'examined' AS field, location AS value,
    packn('{n} record of {month}, the fewest {least} where {wanted} are wanted',
        '{n} records of {month}, the fewest {least} where {wanted} are wanted', count(*),
        ['month= ' || strftime(on_date, '%Y-%m'), 'least=#' || min(examined),
            'wanted=#' || arg_min(wanted, (examined, -wanted))]) AS detail
FROM work.walks JOIN work.wanted USING (instance_id)
WHERE affected = 0 AND examined < wanted
GROUP BY location, strftime(on_date, '%Y-%m')
UNION ALL
SELECT t.instance_id, 'reentry_shorter', 'reentry_at', t.reentry_on || ' ' || t.reentry_at, p.label
FROM work.treatments t JOIN work.list_products p ON p.code = t.product
WHERE t.state = 'accepted' AND TRY_CAST(t.reentry_on || ' ' || t.reentry_at || ':00' AS TIMESTAMP)
    < TRY_CAST(t.ended_on || ' ' || t.ended_at || ':00' AS TIMESTAMP) + to_seconds(3600 * p.reentry_hours)
UNION ALL
SELECT instance_id, 'product_not_listed', 'product_name', label, ''
FROM work.treatments WHERE product IS NULL AND label IS NOT NULL AND state = 'accepted'
UNION ALL
SELECT c.instance_id, 'clock_off', 'visit_date', left(c.ended, 10), pack('{day}', ['day=@' || c.visit_date])
FROM work.current c JOIN work.states s USING (instance_id)
WHERE s.state = 'accepted' AND c.group_code IS NULL
    AND NOT TRY_CAST(left(c.ended, 10) AS DATE) BETWEEN c.visit_date - 1 AND c.received_on + 1
