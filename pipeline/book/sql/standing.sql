-- What stands in each group: the book, the last count, and the estimate by the chain of counts with its interval.
-- `recount` asks for a count: the last one is doubtful, or what it left is open by more than the tolerances.
WITH last_counts AS (
    SELECT * FROM work.counts QUALIFY row_number() OVER (PARTITION BY group_code ORDER BY position DESC) = 1
),
scions AS (
    SELECT group_code, CASE WHEN count(DISTINCT scion) = 1 THEN min(scion) END AS scion
    FROM work.lots GROUP BY group_code
),
estimated AS (
    SELECT g.group_code, g.opened_on, coalesce(b.opened_with, 0) AS opened_with, coalesce(b.book_count, 0) AS book_count,
        c.counted AS last_count, c.on_date AS last_count_on, coalesce(n.estimate, 0) AS estimate, coalesce(n.low, 0) AS low,
        coalesce(n.high, 0) AS high,
        coalesce(b.book_count, 0) < 0 OR coalesce(c.counted > coalesce(b.came, 0) AND c.flagged, false) AS is_impossible,
        coalesce(c.flagged OR (c.stands_high - c.stands_low) / 2
            > greatest(t.count_plants, t.count_share * c.stands), false) AS is_open
    FROM work.openings g
    CROSS JOIN work.settings t
    CROSS JOIN work.horizon h
    LEFT JOIN work.books b USING (group_code)
    LEFT JOIN last_counts c USING (group_code)
    LEFT JOIN work.stands_now n USING (group_code)
    WHERE g.opened_on <= h.until_on
)
SELECT e.group_code, r.rootstock, CASE WHEN g.mix IS NULL THEN coalesce(g.scion, s.scion) ELSE g.scion END AS scion,
    CASE WHEN e.estimate = 0 THEN 'gone' ELSE st.stage END AS stage, p.location, e.opened_on, e.opened_with,
    e.book_count, e.last_count, e.last_count_on, e.estimate, e.low, e.high, e.book_count - e.estimate AS unrecorded_loss,
    CASE WHEN e.is_impossible THEN 'impossible' WHEN e.is_open AND e.high > 0 THEN 'recount' ELSE 'ok' END AS state, g.mix
FROM estimated e
LEFT JOIN work.origins r USING (group_code)
LEFT JOIN scions s USING (group_code)
LEFT JOIN work.growing g USING (group_code)
LEFT JOIN work.stages st USING (group_code)
LEFT JOIN work.places p USING (group_code)
