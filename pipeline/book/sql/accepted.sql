-- Accepted submissions about a group, with what the ledger needs of them.
SELECT c.instance_id, c.reading_id, c.form_id, c.group_code, c.visit_date, c.staff_code, coalesce(c.ended, '') AS ended,
    p.* EXCLUDE (reading_id, group_code), f.stage, f.has_coverage, f.counts,
    NOT f.has_coverage OR p.coverage IN ('whole', 'last_part') AS is_complete
FROM work.states s
JOIN work.current c USING (instance_id)
JOIN work.particulars p USING (reading_id)
JOIN work.forms f USING (form_id)
WHERE s.state = 'accepted' AND c.group_code IS NOT NULL AND c.visit_date <= (SELECT until_on FROM work.horizon)
