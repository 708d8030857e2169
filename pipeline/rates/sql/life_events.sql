-- Every change of a group by the age of its plants, by the records (`side` book), by what the counts show (estimate), or
-- by both alike. A loss found at a visit happened since the visit before: it is dated at the middle of the time between.
-- What stands leaves when its group was last seen (`stands`): nobody knows what has become of it since. Culls at the
-- opening are of the day they were opened. `doubt` is that of vanished.
WITH visits AS (
    SELECT group_code, visit_date FROM work.accepted
    UNION
    SELECT group_code, on_date FROM work.movements
),
last_seen AS (
    SELECT group_code, max(visit_date) AS seen_on FROM visits GROUP BY group_code
),
dated AS (
    SELECT m.group_code, m.kind, m.cause, m.quantity, m.on_date, v.visit_date AS before_on
    FROM work.movements m
    ASOF LEFT JOIN visits v ON v.group_code = m.group_code AND v.visit_date < m.on_date
),
shown AS (
    SELECT group_code, sum(change)::BIGINT AS change
    FROM (SELECT group_code, -quantity AS change FROM work.vanished UNION ALL SELECT group_code, moved FROM work.quiet_moves)
    GROUP BY group_code
),
events AS (
    SELECT d.group_code, 'both' AS side, d.cause, d.on_date, d.quantity,
        CASE WHEN d.kind IN ('opened', 'moved_in') THEN 'entered' WHEN d.kind IN ('culled', 'died', 'lost') THEN 'lost'
            ELSE 'left' END AS kind,
        CASE WHEN d.kind IN ('culled', 'died', 'lost')
            THEN d.on_date - ((d.on_date - coalesce(d.before_on, d.on_date)) // 2)::INTEGER ELSE d.on_date END AS dated_on
    FROM dated d
    UNION ALL
    SELECT group_code, 'estimate', 'not_recorded', on_date, quantity, 'lost', on_date FROM work.vanished WHERE quantity > 0
    UNION ALL
    SELECT group_code, 'estimate', NULL, on_date, doubt, 'doubt', on_date FROM work.vanished WHERE doubt <> 0
    UNION ALL
    SELECT group_code, 'estimate', NULL, on_date, abs(moved), CASE WHEN moved > 0 THEN 'entered' ELSE 'left' END, on_date
    FROM work.quiet_moves
    UNION ALL
    SELECT b.group_code, 'book', NULL, l.seen_on, b.book_count, 'stands', l.seen_on
    FROM work.books b JOIN last_seen l USING (group_code) WHERE b.book_count > 0
    UNION ALL
    SELECT b.group_code, 'estimate', NULL, l.seen_on, b.book_count + coalesce(s.change, 0), 'stands', l.seen_on
    FROM work.books b JOIN last_seen l USING (group_code) LEFT JOIN shown s USING (group_code)
    WHERE b.book_count + coalesce(s.change, 0) > 0
)
SELECT e.group_code, l.root, o.rootstock, e.side, e.kind, e.cause, e.on_date, e.dated_on, e.quantity::BIGINT AS quantity,
    l.clock_on
FROM events e
JOIN work.lineage l USING (group_code)
LEFT JOIN work.origins o USING (group_code)
