-- Net change of each group by each submission, with its place in time. Two things of one day stand in the order in
-- which they were saved on the phones; what has no time of saving stands first. `book_after` is the book then.
WITH changes AS (
    SELECT group_code, on_date, ended, instance_id,
        sum(CASE WHEN kind IN ('opened', 'moved_in') THEN quantity ELSE -quantity END)::BIGINT AS net
    FROM work.movements
    GROUP BY ALL
)
SELECT *, sum(net) OVER (PARTITION BY group_code ORDER BY on_date, ended, instance_id)::BIGINT AS book_after
FROM changes
