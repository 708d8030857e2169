-- Flagged counts and unexplained changes, worst first; the words are those of discrepancies.py.
SELECT group_code, on_date, instance_ids, counted, expected, difference, likely_cause, confidence, advice, other_group
FROM work.doubts
ORDER BY confidence * abs(difference) DESC, group_code, on_date, instance_ids
