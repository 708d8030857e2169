-- Since when each group holds plants that may be budded: from its first budding, or from the first move out of a group
-- that held some by then. Whatever moves may have been budded; only what cannot have been is left out.
WITH RECURSIVE held AS (
    SELECT group_code, min(on_date) AS since FROM work.stage_events WHERE stage IN ('budded', 'read') GROUP BY group_code
    UNION
    SELECT m.group_code, m.on_date
    FROM work.movements m JOIN held h ON h.group_code = m.other_group AND h.since <= m.on_date
    WHERE m.kind = 'moved_in'
)
SELECT group_code, min(since) AS since FROM held GROUP BY group_code
