-- Accepted records of budwood that was cut.
SELECT c.instance_id, c.visit_date AS cut_on, coalesce(c.ended, '') AS ended, c.staff_code, r.* EXCLUDE (reading_id)
FROM work.cut_records r JOIN work.current c USING (reading_id) JOIN work.states s USING (instance_id)
WHERE s.state = 'accepted' AND r.budwood_batch IS NOT NULL AND c.visit_date <= (SELECT until_on FROM work.horizon)
