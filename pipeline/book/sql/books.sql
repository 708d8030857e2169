-- The book of each group: what it opened with, all that ever came into it, and what is left of it by the records.
WITH net AS (
    SELECT f.group_code, sum(f.net)::BIGINT AS book_count,
        coalesce(sum(f.net) FILTER (WHERE f.net > 0 AND f.on_date = o.opened_on), 0)::BIGINT AS opened_with
    FROM work.flows f LEFT JOIN work.openings o USING (group_code)
    GROUP BY f.group_code
),
came AS (
    SELECT group_code, sum(quantity)::BIGINT AS came
    FROM work.movements WHERE kind IN ('opened', 'moved_in') GROUP BY group_code
)
SELECT n.group_code, n.opened_with, coalesce(c.came, 0) AS came, n.book_count
FROM net n LEFT JOIN came c USING (group_code)
