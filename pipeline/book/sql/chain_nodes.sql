-- The nodes of each group's chain, in order: its completed counts, a merge that put all of it elsewhere (which leaves
-- none, unless some were counted later), live plants that other forms report (`alive`), and last the end of its book
-- where something was recorded after the last count. `book` is what the book says there before what is taken out with
-- the count; `least` is what must stand there for what was recorded until the next node to be possible; `known` what the
-- count before left, with and less what was recorded since. Two things of one day stand in the order in which they were
-- saved on the phones.
WITH merges AS (
    SELECT a.group_code, a.visit_date AS on_date, a.ended, a.instance_id, m.quantity
    FROM work.accepted a JOIN work.movements m USING (instance_id)
    WHERE a.transfer_reason = 'merge' AND m.kind = 'moved_out' AND m.group_code = a.group_code
),
ends AS (
    SELECT group_code, max_by(on_date, (on_date, ended, instance_id)) AS on_date,
        max_by(ended, (on_date, ended, instance_id)) AS ended
    FROM work.flows GROUP BY group_code
),
counts AS (
    SELECT group_code, on_date, ended, 0 AS turn, 'count' AS kind, form_id, instance_ids, counted, taken_out, shown_count,
        staff_codes, typed, NULL AS alive
    FROM work.completed
    UNION ALL
    SELECT m.group_code, m.on_date, m.ended, 1, 'merge', NULL, '', NULL, 0, NULL, NULL, NULL, NULL
    FROM merges m JOIN work.flows r USING (group_code, instance_id)
    WHERE r.book_after <= m.quantity / 10 AND NOT EXISTS (
        SELECT 1 FROM work.completed c WHERE c.group_code = m.group_code AND c.counted > 0 AND c.on_date > m.on_date)
),
last_counts AS (
    SELECT group_code, max((on_date, ended)) AS final FROM counts GROUP BY group_code
),
nodes AS (
    SELECT * FROM counts
    UNION ALL
    SELECT group_code, on_date, ended, 0, 'alive', form_id, instance_ids, NULL, 0, NULL, NULL, NULL, alive
    FROM work.live_plants
    UNION ALL
    SELECT e.group_code, e.on_date, e.ended, 2, 'end', NULL, '', NULL, 0, NULL, NULL, NULL, NULL
    FROM ends e LEFT JOIN last_counts l USING (group_code)
    WHERE l.final IS NULL OR (e.on_date, e.ended) > l.final
),
numbered AS (
    SELECT *, row_number() OVER own AS position,
        lead(on_date) OVER own AS next_on, lead(ended) OVER own AS next_ended, lag(on_date) OVER own AS before_on,
        lag(ended) OVER own AS before_ended
    FROM nodes
    WINDOW own AS (PARTITION BY group_code ORDER BY on_date, ended, turn, instance_ids)
),
booked AS (
    SELECT n.group_code, n.position,
        sum(f.net) FILTER (WHERE (f.on_date, f.ended) <= (n.on_date, n.ended)
            AND NOT contains(n.instance_ids, f.instance_id))::BIGINT AS book,
        sum(f.net) FILTER (WHERE f.on_date = n.on_date AND (f.ended = '' OR n.ended = '') AND f.on_date > o.opened_on
            AND NOT contains(n.instance_ids, f.instance_id))::BIGINT AS untimed,
        min(f.book_after) FILTER (WHERE (f.on_date, f.ended) >= (n.on_date, n.ended)
            AND (n.next_on IS NULL OR (f.on_date, f.ended) <= (n.next_on, n.next_ended)))::BIGINT AS lowest
    FROM numbered n JOIN work.flows f USING (group_code) JOIN work.openings o USING (group_code)
    GROUP BY ALL
),
-- of one day without a time of saving the order is not known: a count is taken to stand before such a change where that
-- brings it nearer to the book
ordered AS (
    SELECT n.*, b.lowest,
        coalesce(b.book, 0) - CASE WHEN abs(n.counted - b.book + b.untimed) < abs(n.counted - b.book) THEN b.untimed ELSE 0 END
            AS book
    FROM numbered n LEFT JOIN booked b USING (group_code, position)
),
-- what stands from the node on, for how long: the book at the node before
steps AS (
    SELECT n.*,
        -- where more is recorded as gone than the book had, it is the record that is in doubt
        CASE WHEN n.book < 0 THEN n.book
            ELSE least(greatest(n.taken_out, n.book - coalesce(n.lowest, n.book), 0), greatest(n.book, n.taken_out))
            END::BIGINT AS least,
        coalesce(n.before_on, o.opened_on) AS since_on, coalesce(n.before_ended, '') AS since_ended,
        (n.book + coalesce(last_value(n.counted - n.book IGNORE NULLS) OVER (PARTITION BY n.group_code ORDER BY n.position
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0))::BIGINT AS known,
        greatest(1, coalesce(lag(n.book - n.taken_out) OVER (PARTITION BY n.group_code ORDER BY n.position), n.book)) AS plants
    FROM ordered n
    JOIN work.openings o USING (group_code)
),
staged AS (
    SELECT s.group_code, s.position, greatest(any_value(i.rank), coalesce(max(e.rank), 1)) AS rank
    FROM steps s
    LEFT JOIN work.inherited i USING (group_code)
    LEFT JOIN work.stage_events e ON e.group_code = s.group_code AND (e.on_date, e.ended) <= (s.since_on, s.since_ended)
    GROUP BY ALL
)
SELECT s.group_code, s.position, s.kind, s.on_date, s.ended, s.form_id, s.instance_ids, s.counted, s.taken_out, s.book,
    s.least, s.since_on, greatest(0, s.on_date - s.since_on) AS days, s.plants, g.rank, s.shown_count, s.staff_codes,
    s.typed, s.known, s.alive, p.location, coalesce(h.house, p.location) AS house,
    CASE WHEN s.kind = 'count' AND s.staff_codes <> '' THEN s.staff_codes || ' ' || s.on_date END AS walk
FROM steps s
JOIN staged g USING (group_code, position)
LEFT JOIN work.placings p ON p.group_code = s.group_code AND (s.on_date, s.ended) >= (p.from_on, p.from_ended)
    AND (p.until_on IS NULL OR (s.on_date, s.ended) < (p.until_on, p.until_ended))
LEFT JOIN work.houses h USING (location)
