-- What the counts of each group say of how much less stands than the book has, count by count (and at a merge that leaves
-- nothing), split by reason, in whole plants: book - stands = gone + moved + noted - opened_more. `moved` went, up to
-- here, in moves that nobody wrote down (what came is below nothing); `noted` is what movements noted twice or not made
-- are believed to take back; `opened_more` is what stood at the opening beyond what was written; `gone` is the rest, which
-- went for good (below nothing: more stands). `doubt` is by how much the square of the width of what then stands (95 %)
-- has grown since the count before.
-- a movement that is in doubt makes the number standing rise by its size where it is taken back; in ten-thousandths
WITH movements AS (
    SELECT j.group_code, j.position,
        sum(round(-j.size * 10000 * CASE j.turn WHEN 1 THEN b.jump_1 WHEN 2 THEN b.jump_2 ELSE b.jump_3 END)::BIGINT) AS fall
    FROM work.chain_jumps j JOIN work.chain_beliefs b USING (group_code, position)
    WHERE NOT j.is_loss
    GROUP BY j.group_code, j.position
),
levels AS (
    SELECT n.group_code, n.position, n.kind, n.on_date, min(n.since_on) OVER (PARTITION BY n.group_code) AS begun_on,
        n.rank, n.location, (n.book - b.stands)::BIGINT AS short,
        (b.opening - coalesce(k.opened_with, 0))::BIGINT AS opened_more,
        round(sign(u.missing) * coalesce(u.size, 0) * u.paired * 10000)::BIGINT AS moved, coalesce(m.fall, 0)::BIGINT AS noted,
        ((b.stands_high - b.stands_low) ** 2)::BIGINT AS width
    FROM work.chain_nodes n
    JOIN work.chain_beliefs b USING (group_code, position)
    JOIN work.unrecorded u USING (group_code, position)
    LEFT JOIN work.books k USING (group_code)
    LEFT JOIN movements m USING (group_code, position)
),
-- what is explained at nodes between two counts belongs to the later one
told AS (
    SELECT *, sum(moved) OVER upto AS moved_upto, sum(moved + noted) OVER upto AS told_upto
    FROM levels
    WINDOW upto AS (PARTITION BY group_code ORDER BY position)
),
whole AS (
    SELECT *, round(moved_upto / 10000)::BIGINT AS moves, round(told_upto / 10000)::BIGINT AS explained
    FROM told
    WHERE kind IN ('count', 'merge')
)
SELECT group_code, position, on_date, coalesce(lag(on_date) OVER own, begun_on) AS since_on, rank, location, short, opened_more,
    moves AS moved, explained - moves AS noted, short + opened_more - explained AS gone,
    width - coalesce(lag(width) OVER own, 0) AS doubt
FROM whole
WINDOW own AS (PARTITION BY group_code ORDER BY position)
