-- What the state of a submission depends on: see states.Head.
SELECT c.instance_id, c.form_id, c.group_code, c.visit_date, c.deprecated_id, coalesce(c.ended, '') AS ended, c.said,
    c.versions, coalesce(c.other_source, '') AS other_source, coalesce(p.opens, false) AS opens,
    CASE WHEN p.moving > 0 THEN p.moves_to END AS moves_to,
    CASE WHEN p.sets_buds AND p.attempt IS NOT NULL AND c.group_code IS NOT NULL THEN p.team_code END AS set_by,
    CASE WHEN p.reads_buds AND p.attempt IS NOT NULL AND c.group_code IS NOT NULL THEN p.team_code END AS read_of,
    p.attempt, coalesce(p.transfer_reason, '') AS reason
FROM work.current c LEFT JOIN work.particulars p USING (reading_id)
