-- Where each lot was budded: the place that its group stood at at the end of that day, and its house; and how many days after
-- cutting its budwood was last set, with what that is called (parted as is common practice, no published source).
WITH stood AS (
    SELECT group_code, from_on, arg_max(location, from_ended) AS location FROM work.placings GROUP BY ALL
)
SELECT l.group_code, l.team_code, l.attempt, s.location, coalesce(h.house, s.location) AS house, l.budded_on - b.cut_on AS age,
    CASE WHEN age < 0 THEN NULL WHEN age <= 2 THEN '0 to 2' WHEN age <= 7 THEN '3 to 7' WHEN age <= 14 THEN '8 to 14'
        WHEN age > 14 THEN 'after 14' END AS budwood_age
FROM work.lots l
ASOF LEFT JOIN stood s ON s.group_code = l.group_code AND s.from_on <= l.budded_on
LEFT JOIN work.houses h ON h.location = s.location
LEFT JOIN work.budwood_batches b ON b.code = l.budwood_batch
