-- The same from budding on, for the groups that are followed from there. What stood when the last of the first buds were
-- set enters on the first day; then all that befalls these plants, also in the groups they are moved to.
WITH since AS (
    SELECT f.budded_in, o.rootstock, f.scion, f.group_code = f.budded_in AS is_first, f.clock_on,
        e.on_date <= f.last_on AND e.kind IN ('entered', 'lost', 'left') AS is_before,
        e.side, e.kind, e.cause, e.dated_on, e.quantity, f.group_code
    FROM work.budded_from f
    JOIN work.life_events e USING (group_code)
    LEFT JOIN work.origins o USING (group_code)
),
stood AS (
    SELECT group_code, budded_in, rootstock, scion,
        sum(CASE kind WHEN 'entered' THEN quantity ELSE -quantity END) FILTER (WHERE side <> 'estimate') AS by_book,
        sum(CASE kind WHEN 'entered' THEN quantity ELSE -quantity END) AS by_counts
    FROM since WHERE is_before AND is_first
    GROUP BY ALL
)
SELECT group_code, budded_in, rootstock, scion, 'book' AS side, 'entered' AS kind, NULL::VARCHAR AS cause, 0 AS age,
    by_book::BIGINT AS quantity
FROM stood WHERE by_book > 0
UNION ALL
SELECT group_code, budded_in, rootstock, scion, 'estimate', 'entered', NULL, 0, by_counts::BIGINT FROM stood WHERE by_counts > 0
UNION ALL
SELECT group_code, budded_in, rootstock, scion, side, kind, cause, greatest(0, dated_on - clock_on)::INTEGER, quantity
FROM since WHERE NOT is_before
