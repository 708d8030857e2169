-- How each person counts, by what the chains believe to have stood: the share of counts that were exact, how many plants
-- they were off by in the middle of their counts, what they find too many or too few as a share (none where there is too
-- little to tell), the shares that were rounded and that are the very number shown (beside what chance gives), and how many
-- were quite wrong.
WITH said AS (
    SELECT unnest(string_split(c.staff_codes, ' ')) AS staff_code, c.p_exact, c.error, c.flagged, c.p_rounded,
        CASE WHEN n.shown_count IS NOT NULL THEN n.shown_count = c.counted END AS agrees,
        CASE WHEN n.shown_count IS NOT NULL THEN round(c.agrees_by_chance * 10000)::BIGINT END AS by_chance
    FROM work.counts c JOIN work.chain_nodes n USING (group_code, position)
    WHERE c.staff_codes <> ''
)
SELECT staff_code, count(*) AS counts, sum(round(p_exact * 10000)::BIGINT) / (10000 * count(*)) AS exact_share,
    median(error)::DOUBLE AS typical_error, any_value(p.lean) AS lean,
    sum(round(p_rounded * 10000)::BIGINT) / (10000 * count(*)) AS rounded_share,
    count(*) FILTER (WHERE agrees) AS agrees, count(agrees) AS shown, sum(by_chance) / 10000 AS by_chance,
    count(*) FILTER (WHERE flagged) AS flagged
FROM said s LEFT JOIN work.people p USING (staff_code)
GROUP BY staff_code
