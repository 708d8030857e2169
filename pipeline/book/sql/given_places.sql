-- Every place that a submission gave for its group, with its moment.
SELECT group_code, location, visit_date AS from_on, ended AS from_ended, instance_id
FROM work.accepted WHERE location IS NOT NULL
