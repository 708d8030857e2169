-- What each nursery lost plants to, by stage.
SELECT stage, cause, nursery, sum(lost)::BIGINT AS lost
FROM loss_causes
WHERE "by" = 'all' AND stage <> 'all'
GROUP BY stage, cause, nursery
