-- What the state of a submission depends on: see states.Head.
WITH amounts AS (
    SELECT reading_id,
        bool_or(word = 'opens') AS opens,
        bool_or(word = 'set') AS sets_buds,
        bool_or(word IN ('took', 'failed', 'unsure')) AS reads_buds,
        sum(quantity) FILTER (WHERE word IN ('moves', 'failed')) AS moving
    FROM work.bookings
    GROUP BY reading_id
)
SELECT c.instance_id, c.form_id, c.group_code, c.visit_date, c.deprecated_id, coalesce(c.ended, '') AS ended,
    c.canonical, c.versions, coalesce(c.other_source, '') AS other_source,
    coalesce(a.opens, false) AS opens,
    CASE WHEN a.moving > 0 THEN p.moves_to END AS moves_to,
    coalesce(a.sets_buds, false) AND p.team_code IS NOT NULL AND p.attempt IS NOT NULL AS sets_buds,
    coalesce(a.reads_buds, false) AND p.team_code IS NOT NULL AND p.attempt IS NOT NULL AS reads_buds,
    p.team_code, p.attempt, coalesce(p.transfer_reason, '') AS reason
FROM work.current c
LEFT JOIN amounts a USING (reading_id)
LEFT JOIN work.particulars p USING (reading_id)
ORDER BY c.instance_id
