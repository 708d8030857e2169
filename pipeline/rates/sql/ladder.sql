-- Every plant that was ever opened, where it went. By the book: lost while in a stage, despatched from it, or in the books of
-- the groups that are in it now; these add up to what was opened, to the plant. By the counts: `not_recorded` is what went
-- without a record, in the stage where the counts show it to have gone; what the estimate has less (or more) than the book
-- beside that, such as since the last count, is with the stage of its group; lost, not_recorded, despatched and standing
-- add up to what was opened too.
WITH stages AS (
    SELECT unnest(['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped']) AS stage,
        unnest([1, 2, 3, 4, 5, 6, 7]) AS rank
),
flows AS (
    SELECT rank, coalesce(sum(quantity) FILTER (WHERE kind IN ('culled', 'died', 'lost')), 0)::BIGINT AS lost,
        coalesce(sum(quantity) FILTER (WHERE kind = 'vanished'), 0)::BIGINT AS vanished,
        coalesce(sum(quantity) FILTER (WHERE kind = 'despatched'), 0)::BIGINT AS despatched
    FROM work.stage_losses GROUP BY rank
),
told AS (
    SELECT group_code, sum(quantity)::BIGINT AS vanished FROM work.stage_losses WHERE kind = 'vanished' GROUP BY group_code
),
held AS (
    SELECT s.rank, sum(b.book_count)::BIGINT AS book, sum(coalesce(n.estimate, b.book_count))::BIGINT AS standing,
        sum(coalesce(t.vanished, 0))::BIGINT AS vanished
    FROM work.books b JOIN work.stages s USING (group_code)
    LEFT JOIN work.standing n USING (group_code) LEFT JOIN told t USING (group_code)
    GROUP BY s.rank
),
opened AS (
    SELECT coalesce(sum(quantity), 0)::BIGINT AS plants FROM work.movements WHERE kind = 'opened'
),
rungs AS (
    SELECT s.rank, s.stage, coalesce(f.lost, 0) AS lost,
        coalesce(f.vanished, 0) + coalesce(h.book - h.standing - h.vanished, 0) AS not_recorded,
        coalesce(f.despatched, 0) AS despatched, coalesce(h.book, 0) AS in_the_books, coalesce(h.standing, 0) AS standing
    FROM stages s LEFT JOIN flows f USING (rank) LEFT JOIN held h USING (rank)
)
SELECT stage, lost, not_recorded, despatched, in_the_books, standing, (lost + not_recorded) / nullif(plants, 0) AS lost_share
FROM rungs, opened
ORDER BY rank
