-- What plants of each nursery were at risk of and lost, by the month in which their line was opened, their stage, rootstock and
-- how they were at risk.
SELECT nursery, cohort, stage, coalesce(rootstock, '?') AS rootstock, kind,
    sum(exposure)::BIGINT AS exposure, sum(lost)::BIGINT AS lost
FROM sums_of_losses
GROUP BY nursery, cohort, stage, coalesce(rootstock, '?'), kind
