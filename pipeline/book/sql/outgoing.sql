-- What each accepted submission says came into its group, left it, or moved out of it, whole plants.
SELECT a.group_code, a.visit_date AS on_date, a.ended, a.form_id,
    CASE b.word
        WHEN 'opens' THEN 'opened'
        WHEN 'despatched' THEN 'despatched'
        WHEN 'leaves' THEN CASE WHEN b.is_reported THEN 'lost' ELSE coalesce(k.kind, 'culled') END
        ELSE 'moved_out'
    END AS kind,
    CASE WHEN b.word = 'leaves' THEN b.cause END AS cause, b.quantity,
    CASE WHEN b.word IN ('moves', 'failed') THEN a.moves_to END AS other_group, a.instance_id
FROM work.accepted a
JOIN work.bookings b USING (reading_id)
LEFT JOIN work.cause_kinds k USING (cause)
WHERE b.quantity > 0
    AND (b.word IN ('opens', 'leaves', 'despatched') OR (b.word IN ('moves', 'failed') AND a.moves_to IS NOT NULL))
