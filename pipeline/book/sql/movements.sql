-- Every change of a group, whole plants. What moves out of one group moves into another under one submission.
WITH booked AS (
    SELECT a.instance_id, a.form_id, a.group_code, a.visit_date AS on_date, a.moves_to, b.word, b.cause,
        b.is_reported, b.quantity
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.quantity > 0
),
kinds AS (
    SELECT group_code, on_date, form_id,
        CASE word
            WHEN 'opens' THEN 'opened'
            WHEN 'despatched' THEN 'despatched'
            WHEN 'leaves' THEN CASE WHEN is_reported THEN 'lost' ELSE coalesce(k.kind, 'culled') END
            ELSE 'moved_out'
        END AS kind,
        CASE WHEN word = 'leaves' THEN cause END AS cause,
        quantity,
        CASE WHEN word IN ('moves', 'failed') THEN moves_to END AS other_group,
        instance_id
    FROM booked LEFT JOIN work.cause_kinds k USING (cause)
    WHERE word IN ('opens', 'leaves', 'despatched') OR (word IN ('moves', 'failed') AND moves_to IS NOT NULL)
),
arrivals AS (
    SELECT other_group AS group_code, on_date, form_id, 'moved_in' AS kind, cause, quantity, group_code AS other_group,
        instance_id
    FROM kinds WHERE kind = 'moved_out'
)
SELECT group_code, on_date, form_id, kind, cause, sum(quantity)::BIGINT AS quantity, other_group, instance_id
FROM (SELECT * FROM kinds UNION ALL SELECT * FROM arrivals)
GROUP BY ALL
ORDER BY group_code, on_date, instance_id, kind, cause
