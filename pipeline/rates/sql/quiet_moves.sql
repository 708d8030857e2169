-- Moves between groups that nobody wrote down, as the counts of both show them, dated at the middle of the time in which
-- the group's plants fell or rose: `moved` is what came in, or left where it is below nothing.
SELECT group_code, other_group, since_on + ((on_date - since_on) // 2)::INTEGER AS on_date,
    CASE WHEN missing > 0 THEN -size ELSE size END::BIGINT AS moved
FROM work.unrecorded
WHERE other_group IS NOT NULL AND paired >= 0.5 AND missing <> 0
