-- Every change of a group by the age of its plants. A loss found at a visit happened since the visit before: it is dated at
-- the middle of the time between. What is in the books on the day leaves then: nobody knows yet what becomes of it.
-- Culls at the opening are of the day they were opened.
WITH visits AS (
    SELECT group_code, visit_date FROM work.accepted
    UNION
    SELECT group_code, on_date FROM work.movements
),
dated AS (
    SELECT m.group_code, m.kind, m.cause, m.quantity, m.on_date, v.visit_date AS before_on
    FROM work.movements m
    ASOF LEFT JOIN visits v ON v.group_code = m.group_code AND v.visit_date < m.on_date
)
SELECT d.group_code, o.rootstock, d.cause, d.on_date, d.quantity,
    CASE WHEN d.kind IN ('opened', 'moved_in') THEN 'entered' WHEN d.kind IN ('culled', 'died', 'lost') THEN 'lost'
        ELSE 'left' END AS kind,
    CASE WHEN d.kind IN ('culled', 'died', 'lost')
        THEN d.on_date - ((d.on_date - coalesce(d.before_on, d.on_date)) // 2)::INTEGER ELSE d.on_date END AS dated_on,
    l.clock_on
FROM dated d
JOIN work.lineage l USING (group_code)
LEFT JOIN work.origins o USING (group_code)
UNION ALL
SELECT b.group_code, o.rootstock, NULL, d.as_of, b.book_count, 'left', d.as_of, l.clock_on
FROM work.books b
JOIN work.lineage l USING (group_code)
LEFT JOIN work.origins o USING (group_code), work.day d
WHERE b.book_count > 0
