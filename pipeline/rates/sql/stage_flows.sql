-- The plants of each group by the stage they were in: came into the books, lost, left for elsewhere; a ladder that adds up.
SELECT group_code, rootstock, rank, any_value(group_rank) AS group_rank,
    coalesce(sum(quantity) FILTER (WHERE kind IN ('opened', 'moved_in')), 0)::BIGINT AS came,
    coalesce(sum(quantity) FILTER (WHERE kind IN ('culled', 'died', 'lost')), 0)::BIGINT AS lost,
    coalesce(sum(quantity) FILTER (WHERE kind = 'moved_out'), 0)::BIGINT AS moved_out,
    coalesce(sum(quantity) FILTER (WHERE kind = 'despatched'), 0)::BIGINT AS despatched
FROM work.stage_losses
GROUP BY group_code, rootstock, rank
