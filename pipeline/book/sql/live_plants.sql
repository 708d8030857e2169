-- Live plants that a form reports without counting the group, by day: buds set, buds read green or unsure, a part of an
-- inspection. `alive` is what must have stood before what those submissions take out. Only where that is most of the book.
WITH told AS (
    SELECT a.group_code, a.form_id, a.visit_date AS on_date, a.ended, a.instance_id, a.team_code, a.attempt,
        coalesce(sum(b.quantity) FILTER (WHERE b.word <> 'unsure'), 0) AS sure,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'unsure'), 0) AS unsure
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word IN ('took', 'unsure', 'set', 'counted', 'kept') AND NOT (a.counts AND a.is_complete)
    GROUP BY ALL
),
-- the unsure buds of a lot may be read twice on a day
by_lot AS (
    SELECT group_code, form_id, on_date, team_code, attempt, max(ended) AS ended, min(ended) AS first_ended,
        string_agg(instance_id, ' ' ORDER BY instance_id) AS instance_ids, list(instance_id ORDER BY instance_id) AS ids,
        sum(sure) + max(unsure) AS alive
    FROM told GROUP BY ALL
),
by_day AS (
    SELECT group_code, form_id, on_date, max(ended) AS ended, min(first_ended) AS first_ended,
        string_agg(instance_ids, ' ' ORDER BY instance_ids) AS instance_ids, flatten(list(ids ORDER BY instance_ids)) AS ids,
        sum(alive) AS alive
    FROM by_lot GROUP BY ALL
),
taken AS (
    SELECT d.group_code, d.instance_ids, sum(-f.net) AS taken_out
    FROM by_day d JOIN work.flows f ON f.group_code = d.group_code AND f.on_date = d.on_date
        AND list_contains(d.ids, f.instance_id)
    GROUP BY ALL
),
stood AS (
    SELECT d.group_code, d.instance_ids, max_by(f.book_after, (f.on_date, f.ended, f.instance_id)) AS book
    FROM by_day d JOIN work.flows f ON f.group_code = d.group_code AND (f.on_date, f.ended) < (d.on_date, d.first_ended)
    GROUP BY ALL
)
SELECT d.group_code, d.form_id, d.on_date, d.ended, d.instance_ids, (d.alive + coalesce(t.taken_out, 0))::BIGINT AS alive
FROM by_day d
JOIN stood s USING (group_code, instance_ids)
LEFT JOIN taken t USING (group_code, instance_ids)
WHERE d.alive + coalesce(t.taken_out, 0) >= 0.8 * s.book AND d.alive > 0
