-- Seedlings lifted and off-type culls of each group by rootstock, over its whole life, for groups that left the trays.
SELECT o.rootstock, m.group_code, sum(m.quantity) FILTER (WHERE m.kind = 'opened')::BIGINT AS lifted,
    coalesce(sum(m.quantity) FILTER (WHERE m.kind = 'culled' AND m.cause = 'off_type'), 0)::BIGINT AS off_type
FROM work.movements m
JOIN work.origins o USING (group_code)
JOIN work.stages s USING (group_code)
WHERE o.from_group IS NULL AND o.rootstock IS NOT NULL AND s.rank > 1
GROUP BY ALL HAVING lifted > 0
