-- What moves out of one group moves into another under one submission.
SELECT other_group AS group_code, on_date, ended, form_id, 'moved_in' AS kind, cause, quantity, group_code AS other_group,
    instance_id
FROM work.outgoing WHERE kind = 'moved_out'
