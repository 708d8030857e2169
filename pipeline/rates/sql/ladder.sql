-- Every plant that was ever opened, where it went: lost while in a stage, despatched from it, or in the books of the groups
-- that are in it now. The rows add up to what was opened, to the plant.
WITH stages AS (
    SELECT unnest(['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped']) AS stage,
        unnest([1, 2, 3, 4, 5, 6, 7]) AS rank
),
flows AS (
    SELECT rank, sum(lost)::BIGINT AS lost, sum(despatched)::BIGINT AS despatched FROM work.stage_flows GROUP BY rank
),
held AS (
    SELECT s.rank, sum(b.book_count)::BIGINT AS book
    FROM work.books b JOIN work.stages s USING (group_code) GROUP BY s.rank
),
opened AS (
    SELECT coalesce(sum(quantity), 0)::BIGINT AS plants FROM work.movements WHERE kind = 'opened'
)
SELECT s.stage, coalesce(f.lost, 0) AS lost, coalesce(f.despatched, 0) AS despatched, coalesce(h.book, 0) AS in_the_books,
    f.lost / nullif(o.plants, 0) AS lost_share
FROM stages s LEFT JOIN flows f USING (rank) LEFT JOIN held h USING (rank), opened o
ORDER BY s.rank
