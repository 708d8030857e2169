-- How each person counts, by what the chains believe to have stood: the share of counts that were exact, how many
-- plants they were off by in the middle of their counts, and how many were quite wrong.
WITH said AS (
    SELECT unnest(string_split(staff_codes, ' ')) AS staff_code, p_exact, error, flagged
    FROM work.counts WHERE staff_codes <> ''
)
SELECT staff_code, count(*) AS counts, sum(round(p_exact * 10000)::BIGINT) / (10000 * count(*)) AS exact_share,
    median(error)::DOUBLE AS typical_error,
    count(*) FILTER (WHERE flagged) AS flagged
FROM said
GROUP BY staff_code
ORDER BY staff_code
