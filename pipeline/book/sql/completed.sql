-- Completed counts: parts from the first `part` to the `last_part` of the same form in a group make one count,
-- dated at the last part. `typed`: the numbers that were typed and make up what was counted.
-- `left_after` is what stood when the last part was done: found less what was taken out.
WITH found AS (
    SELECT a.reading_id,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'counted'),
            sum(b.quantity) FILTER (WHERE b.word IN ('kept', 'leaves')))::BIGINT AS counted,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'leaves'), 0)::BIGINT AS taken_out,
        coalesce(string_agg(b.quantity, ' ' ORDER BY b.question) FILTER (WHERE b.word = 'counted'),
            string_agg(b.quantity, ' ' ORDER BY b.question) FILTER (WHERE b.word = 'kept' AND b.quantity > 0)) AS typed
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE a.counts
    GROUP BY a.reading_id
),
walked AS (
    SELECT a.group_code, a.form_id, a.visit_date, a.ended, a.instance_id, a.coverage, a.staff_code, a.shown_count,
        f.counted, f.taken_out, f.typed,
        -- a whole walk is a count of its own; parts are numbered by how many last parts came before them
        CASE WHEN a.coverage = 'whole' THEN a.instance_id ELSE 'parts ' || count(*) FILTER (WHERE a.coverage = 'last_part')
            OVER (PARTITION BY a.group_code, a.form_id
                ORDER BY a.visit_date, CASE a.coverage WHEN 'last_part' THEN 1 ELSE 0 END, a.ended, a.instance_id
                ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) END AS walk
    FROM work.accepted a JOIN found f USING (reading_id)
)
SELECT group_code, form_id, max(visit_date) AS on_date, min(visit_date) AS from_date, max(ended) AS ended,
    string_agg(instance_id, ' ' ORDER BY visit_date, instance_id) AS instance_ids,
    sum(counted)::BIGINT AS counted, (sum(counted) - sum(taken_out))::BIGINT AS left_after,
    sum(taken_out)::BIGINT AS taken_out, string_agg(typed, ' ' ORDER BY visit_date, instance_id) AS typed,
    max(shown_count)::BIGINT AS shown_count,
    string_agg(DISTINCT staff_code, ' ' ORDER BY staff_code) AS staff_codes
FROM walked
GROUP BY group_code, form_id, walk
HAVING bool_or(coverage IN ('whole', 'last_part'))
