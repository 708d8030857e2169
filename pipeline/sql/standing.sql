-- What stands in each group: the book, the last count, and the estimate (the last count less what was recorded since;
-- the book where there never was a count). The limits are the tolerances of nursery.toml around it.
WITH book AS (
    SELECT group_code, sum(net)::BIGINT AS book_count FROM work.flows GROUP BY group_code
),
came AS (
    SELECT group_code, sum(quantity)::BIGINT AS ever
    FROM work.movements WHERE kind IN ('opened', 'moved_in') GROUP BY group_code
),
opening AS (
    SELECT f.group_code, sum(f.net)::BIGINT AS opened_with
    FROM work.flows f JOIN work.openings o ON o.group_code = f.group_code AND f.on_date = o.opened_on
    WHERE f.net > 0
    GROUP BY f.group_code
),
last_counts AS (
    SELECT * FROM work.counts QUALIFY row_number() OVER (PARTITION BY group_code ORDER BY position DESC) = 1
),
since AS (
    SELECT c.group_code, sum(f.net)::BIGINT AS net
    FROM last_counts c JOIN work.flows f USING (group_code)
    WHERE (f.on_date, f.ended) > (c.on_date, c.ended) AND NOT contains(c.instance_ids, f.instance_id)
    GROUP BY ALL
),
scions AS (
    SELECT group_code, CASE WHEN count(DISTINCT scion) = 1 THEN min(scion) END AS scion
    FROM work.lots GROUP BY group_code
),
estimated AS (
    SELECT g.group_code, g.opened_on, coalesce(o.opened_with, 0) AS opened_with, coalesce(b.book_count, 0) AS book_count,
        c.counted AS last_count, c.on_date AS last_count_on, coalesce(c.flagged, false) AS is_flagged,
        c.counted > coalesce(e.ever, 0) AS is_over,
        coalesce(c.left_after + coalesce(s.net, 0), b.book_count, 0)::BIGINT AS left_now
    FROM work.openings g
    LEFT JOIN opening o USING (group_code)
    LEFT JOIN book b USING (group_code)
    LEFT JOIN came e USING (group_code)
    LEFT JOIN last_counts c USING (group_code)
    LEFT JOIN since s USING (group_code)
    WHERE g.opened_on <= (SELECT as_of FROM work.settings)
),
banded AS (
    SELECT *, greatest(0, left_now) AS estimate,
        CASE WHEN left_now <= 0 THEN 0 ELSE greatest(t.count_plants, ceil(t.count_share * left_now)) END::BIGINT AS band
    FROM estimated, work.settings t
)
SELECT e.group_code, r.rootstock, s.scion, CASE WHEN e.estimate = 0 THEN 'gone' ELSE st.stage END AS stage, p.location,
    e.opened_on, e.opened_with, e.book_count, e.last_count, e.last_count_on, e.estimate,
    greatest(0, e.estimate - e.band) AS low, e.estimate + e.band AS high, e.book_count - e.estimate AS unrecorded_loss,
    CASE WHEN e.book_count < 0 OR e.left_now < 0 OR e.is_over THEN 'impossible'
        WHEN e.is_flagged THEN 'recount' ELSE 'ok' END AS state
FROM banded e
LEFT JOIN work.origins r USING (group_code)
LEFT JOIN scions s USING (group_code)
LEFT JOIN work.stages st USING (group_code)
LEFT JOIN work.places p USING (group_code)
ORDER BY e.group_code
