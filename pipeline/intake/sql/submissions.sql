-- Every submission that ever came in, with its state. Repeats of the same one are one row.
SELECT c.instance_id, nullif(c.form_id, '') AS form_id, nullif(c.form_version, '') AS form_version, c.group_code,
    c.visit_date, c.staff_code, s.state, c.received_at, s.superseded_by, c.source
FROM work.current c JOIN work.states s USING (instance_id)
