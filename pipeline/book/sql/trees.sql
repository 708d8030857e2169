-- The groups of a pair that are topped: the day they are of age, and how many trees of the pair are older (`before`).
SELECT s.group_code, s.rootstock, s.scion, (o.sow_date + to_months(t.despatch_months))::DATE AS of_age_on, s.estimate AS trees,
    coalesce(sum(s.estimate) OVER (
        PARTITION BY s.rootstock, s.scion ORDER BY o.sow_date, s.group_code ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
    ), 0)::BIGINT AS before
FROM work.standing s JOIN work.origins o USING (group_code) ANTI JOIN work.remainders USING (group_code), work.settings t
WHERE s.stage = 'topped' AND o.sow_date IS NOT NULL
ORDER BY s.rootstock, s.scion, o.sow_date, s.group_code
