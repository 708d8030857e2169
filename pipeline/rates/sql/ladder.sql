-- Every plant that was ever opened, where it went, from the walk of `bridge`. By the book: lost while in a stage, despatched
-- from it, or in the books of the groups that are in it now; these add up to what was opened, to the plant. By the counts:
-- `not_recorded` is what went without a record, in the stage where the counts show it to have gone; `otherwise` what the
-- groups' likeliest numbers have less (or more) than the book for other reasons, such as since the last count; lost,
-- not_recorded, otherwise, despatched and standing add up to what was opened too.
WITH stages AS (
    SELECT unnest(['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped']) AS stage,
        unnest([1, 2, 3, 4, 5, 6, 7]) AS rank
),
walk AS (
    SELECT *, step IN ('opened', 'lost', 'despatched', 'moved') AS is_book FROM work.bridge
    WHERE step NOT IN ('expected', 'rounding', 'stands')
),
happened AS (
    SELECT stage, -sum(plants) FILTER (WHERE step = 'lost') AS lost,
        -sum(plants) FILTER (WHERE step = 'not_recorded') AS not_recorded,
        -sum(plants) FILTER (WHERE NOT is_book AND step <> 'not_recorded') AS otherwise,
        -sum(plants) FILTER (WHERE step = 'despatched') AS despatched
    FROM walk WHERE "by" = 'all' GROUP BY stage
),
held AS (
    SELECT level AS stage, sum(plants) FILTER (WHERE is_book) AS in_the_books, sum(plants) AS standing
    FROM walk WHERE "by" = 'stage' GROUP BY level
),
seed AS (
    SELECT sum(seeds)::BIGINT AS seeds, sum(emerged_all)::BIGINT AS emerged, sum(lifted)::BIGINT AS lifted
    FROM work.sowings WHERE seeds > 0 AND emerged_all IS NOT NULL AND lifted > 0 HAVING count(*) > 0
),
opened AS (
    SELECT sum(plants) AS plants FROM walk WHERE "by" = 'all' AND step = 'opened'
)
SELECT stage, lost, not_recorded, otherwise, despatched, in_the_books, standing, lost_share FROM (
SELECT s.rank, s.stage, coalesce(h.lost, 0)::BIGINT AS lost, coalesce(h.not_recorded, 0)::BIGINT AS not_recorded,
    coalesce(h.otherwise, 0)::BIGINT AS otherwise, coalesce(h.despatched, 0)::BIGINT AS despatched,
    coalesce(b.in_the_books, 0)::BIGINT AS in_the_books, coalesce(b.standing, 0)::BIGINT AS standing,
    (coalesce(h.lost, 0) + coalesce(h.not_recorded, 0)) / nullif(o.plants, 0) AS lost_share
FROM stages s LEFT JOIN happened h USING (stage) LEFT JOIN held b USING (stage), opened o
UNION ALL
SELECT -1, 'seed', greatest(0, seeds - emerged), 0, least(0, seeds - emerged), 0, 0, 0,
    greatest(0, seeds - emerged) / seeds FROM seed
UNION ALL
SELECT 0, 'seedbed', 0, 0, emerged - lifted, 0, 0, 0, 0 FROM seed
)
ORDER BY rank
