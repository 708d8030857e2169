-- How near each person's counts come to what was expected.
WITH said AS (
    SELECT unnest(string_split(staff_codes, ' ')) AS staff_code, counted, expected, flagged FROM work.counts
)
SELECT staff_code, count(*) AS counts, avg((counted = expected)::INTEGER) AS exact_share,
    median(abs(counted - expected))::DOUBLE AS typical_error, count(*) FILTER (WHERE flagged) AS flagged
FROM said
GROUP BY staff_code
ORDER BY staff_code
