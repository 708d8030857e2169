-- Lots of which buds are still to be read, and how many: lots that were not read, or of which a good part was not and the group
-- has not moved on.
SELECT l.group_code, l.team_code, l.attempt, l.budded_on,
    CASE WHEN l.read_on IS NULL THEN l.buds_set ELSE l.buds_set - l.green - l.brown - l.missing END AS buds
FROM work.lots l JOIN work.standing s USING (group_code) CROSS JOIN work.settings t
WHERE l.read_on IS NULL
    OR (s.stage IN ('budded', 'read') AND l.green + l.brown + l.missing < t.lot_read_share * l.buds_set)
