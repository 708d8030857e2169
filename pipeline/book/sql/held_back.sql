-- What is kept out of the books or waits, and how many plants would stand more (or fewer) if it were in. A group that is in no
-- book has what was last counted of it, else what it opened with: that is told of its opening, or of the first that waits.
WITH held AS (
    SELECT s.instance_id, s.state, c.reading_id, c.group_code, c.form_id, c.visit_date, c.ended, c.opens, c.moves_to,
        c.group_code IN (SELECT group_code FROM work.openings) AS is_known,
        c.moves_to IN (SELECT group_code FROM work.openings) AS is_known_there
    FROM work.states s JOIN work.current c USING (instance_id)
    WHERE s.state IN ('quarantined', 'waiting') AND c.group_code IS NOT NULL
),
said AS (
    SELECT h.*,
        sum(b.quantity) FILTER (WHERE b.word = 'opens') AS opened,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'leaves'), 0) AS taken_out,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'despatched'), 0) AS despatched,
        coalesce(sum(b.quantity) FILTER (WHERE b.word IN ('moves', 'failed') AND h.moves_to IS NOT NULL), 0) AS moved,
        sum(b.quantity) FILTER (WHERE b.word = 'counted') AS counted, sum(b.quantity) FILTER (WHERE b.word = 'kept') AS kept
    FROM held h LEFT JOIN work.bookings b USING (reading_id)
    GROUP BY ALL
),
-- what each leaves standing, as far as it says so
left_by AS (
    SELECT *, CASE WHEN opens THEN coalesce(kept, opened - taken_out) ELSE coalesce(counted - taken_out, kept) END AS stands,
        row_number() OVER (PARTITION BY group_code ORDER BY opens DESC, state, visit_date, ended, instance_id) AS turn
    FROM said
),
unknown AS (
    SELECT group_code, count(*) AS submissions,
        coalesce(max_by(stands, (visit_date, ended, instance_id)) FILTER (WHERE stands IS NOT NULL), 0) AS plants
    FROM left_by WHERE NOT is_known GROUP BY group_code
)
SELECT l.instance_id, l.group_code, l.state, l.form_id, l.opens, l.is_known, l.turn = 1 AND NOT l.is_known AS is_first,
    coalesce(u.submissions, 1) AS submissions,
    (CASE WHEN NOT l.is_known THEN CASE WHEN l.turn = 1 THEN u.plants ELSE 0 END
        WHEN l.opens THEN 0
        ELSE CASE WHEN l.is_known_there THEN l.moved ELSE 0 END - l.taken_out - l.despatched - l.moved END)::BIGINT AS plants
FROM left_by l LEFT JOIN unknown u USING (group_code)
ORDER BY abs(plants) DESC, l.group_code, l.instance_id
