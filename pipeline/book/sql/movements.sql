-- Every change of a group, whole plants, with when it was saved on the phone.
SELECT group_code, on_date, ended, form_id, kind, cause, sum(quantity)::BIGINT AS quantity, other_group, instance_id
FROM (SELECT * FROM work.outgoing UNION ALL SELECT * FROM work.arrivals)
GROUP BY ALL
