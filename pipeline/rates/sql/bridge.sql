-- One walk from what was opened to what stands, in whole plants: each step adds (or takes off) `plants`, and all of them
-- add up to the step `stands`, for the nursery, for each stage and for each house that groups are in now. Up to `moved`
-- it makes the book; the rest is why less (or more) stands. `groups` tells groups that stand from those that are gone. Of
-- the whole (`by` all), `stage` and `place` are where plants were when it happened. `expected` is the step from the
-- likeliest numbers of groups, added up, to how many are to be expected of them together, and `rounding` what the levels
-- of a kind add up to beyond the whole, as each is rounded by itself.
WITH steps AS (
    SELECT unnest(['opened', 'lost', 'despatched', 'moved', 'not_recorded', 'unrecorded_move', 'noted_wrong', 'opening_wrong',
            'more_found', 'since_count', 'expected', 'rounding', 'stands']) AS step,
        unnest(range(1, 14)) AS turn
),
held AS (
    SELECT s.group_code, CASE WHEN s.stage = 'gone' THEN 'gone' ELSE 'standing' END AS groups, coalesce(t.rank, 1) AS rank,
        s.location, s.book_count, s.estimate
    FROM work.standing s LEFT JOIN work.stages t USING (group_code)
),
ends AS (
    SELECT group_code, max_by(short, position) AS short, max_by(gone, position) AS gone, max_by(rank, position) AS rank,
        max_by(location, position) AS location, max_by(opened_more, position) AS opened_more,
        min_by(rank, position) AS first_rank, min_by(location, position) AS first_location
    FROM work.chain_falls GROUP BY group_code
),
since AS (
    SELECT h.*, h.estimate - h.book_count + coalesce(e.short, 0) AS change FROM held h LEFT JOIN ends e USING (group_code)
),
explained AS (
    SELECT group_code, rank, location, coalesce(lag(moved) OVER own, 0) - moved AS moved,
        coalesce(lag(noted) OVER own, 0) - noted AS noted
    FROM work.chain_falls WINDOW own AS (PARTITION BY group_code ORDER BY position)
),
changes AS (
    SELECT group_code, CASE WHEN kind IN ('culled', 'died', 'lost') THEN 'lost' WHEN kind IN ('moved_in', 'moved_out')
            THEN 'moved' WHEN kind = 'vanished' THEN 'not_recorded' ELSE kind END AS step,
        CASE WHEN kind IN ('culled', 'died', 'lost') THEN coalesce(cause, 'other') END AS cause, rank, location,
        CASE WHEN kind IN ('opened', 'moved_in') THEN quantity ELSE -quantity END AS plants
    FROM work.placed_changes WHERE kind <> 'doubt'
    UNION ALL
    SELECT group_code, 'unrecorded_move', NULL, rank, location, moved FROM explained
    UNION ALL
    SELECT group_code, 'noted_wrong', NULL, rank, location, noted FROM explained
    UNION ALL
    SELECT group_code, 'opening_wrong', NULL, first_rank, first_location, opened_more FROM ends
    UNION ALL
    SELECT group_code, 'more_found', NULL, rank, location, greatest(0, -gone) FROM ends
    UNION ALL
    SELECT group_code, CASE WHEN change > 0 THEN 'more_found' ELSE 'since_count' END, NULL, rank, location, change FROM since
),
known AS (
    SELECT h.groups, c.step, c.cause, c.rank AS rank_then, coalesce(t.house, c.location) AS house_then, h.rank,
        coalesce(o.house, h.location) AS house, c.plants
    FROM changes c JOIN held h USING (group_code)
    LEFT JOIN work.houses t ON t.location = c.location LEFT JOIN work.houses o ON o.location = h.location
),
names AS (
    SELECT ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'] AS stages
),
walks AS (
    SELECT 'all' AS "by", 'all' AS level, groups, step, cause, stages[rank_then] AS stage, house_then AS place,
        sum(plants)::BIGINT AS plants
    FROM known, names GROUP BY ALL
    UNION ALL
    SELECT 'stage', stages[rank], groups, step, cause, NULL, NULL, sum(plants)::BIGINT FROM known, names GROUP BY ALL
    UNION ALL
    SELECT 'house', house, groups, step, cause, NULL, NULL, sum(plants)::BIGINT FROM known GROUP BY ALL
),
whole AS (
    SELECT coalesce(sum(plants), 0)::BIGINT AS plants FROM work.standing_sums WHERE "by" = 'all'
),
likeliest AS (
    SELECT "by", level, sum(plants)::BIGINT AS plants FROM walks WHERE groups = 'standing' GROUP BY "by", level
),
ended AS (
    SELECT * FROM walks WHERE plants <> 0
    UNION ALL
    SELECT l."by", l.level, 'standing', 'expected', NULL, NULL, NULL, s.plants - l.plants
    FROM likeliest l JOIN work.standing_sums s ON s."by" = l."by" AND s.level IS NOT DISTINCT FROM l.level
    WHERE s.plants <> l.plants
    UNION ALL
    SELECT s."by", NULL, 'standing', 'rounding', NULL, NULL, NULL, any_value(w.plants) - sum(s.plants)::BIGINT
    FROM work.standing_sums s, whole w WHERE s."by" IN ('stage', 'house')
    GROUP BY s."by" HAVING any_value(w.plants) <> sum(s.plants)
    UNION ALL
    SELECT "by", level, 'standing', 'stands', NULL, NULL, NULL, plants FROM work.standing_sums
    WHERE "by" IN ('all', 'stage', 'house')
)
SELECT "by", level, groups, step, cause, stage, place, plants
FROM ended JOIN steps USING (step)
ORDER BY "by", level NULLS LAST, groups DESC, turn, cause, stage, place, plants
