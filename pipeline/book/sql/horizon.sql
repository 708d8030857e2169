-- The day up to which work counts: the day that counts as today, where anything is dated after it.
SELECT CASE WHEN max(c.visit_date) > d.as_of THEN d.as_of ELSE DATE '9999-12-31' END AS until_on
FROM work.day d LEFT JOIN work.current c ON true
GROUP BY d.as_of
