-- What is believed of each node: by the own chain of its group; where a count was exchanged, or plants moved unrecorded,
-- by that.
SELECT * FROM work.alone WHERE group_code NOT IN (SELECT group_code FROM work.exchanged_ends)
    AND group_code NOT IN (SELECT group_code FROM work.paired_ends)
UNION ALL
SELECT * FROM work.exchanged_beliefs WHERE group_code NOT IN (SELECT group_code FROM work.paired_ends)
UNION ALL
SELECT * FROM work.paired_beliefs
