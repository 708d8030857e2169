-- Counts that are not what was expected. Which cause is likely is not judged yet.
SELECT group_code, on_date, instance_ids, counted, expected, counted - expected AS difference,
    CASE WHEN counted < expected THEN 'fewer than expected' ELSE 'more than expected' END AS likely_cause,
    NULL::DOUBLE AS confidence,
    'Count the group again; ask ' || replace(coalesce(staff_codes, 'whoever counted'), ' ', ' and ') || '.' AS advice,
    NULL::VARCHAR AS other_group
FROM work.counts WHERE flagged
ORDER BY abs(counted - expected) DESC, group_code
