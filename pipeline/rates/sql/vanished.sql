-- Plants that the counts of a group show to be gone without a record, in pieces of about ten days, in proportion to what
-- the book has then. What is explained as a move, or as a movement that was noted twice or not made, is no loss; a later
-- gain takes back what seemed lost before it, and so does a loss that is noted after a count had missed it. Whole numbers:
-- the pieces of a group add up to what its last count shows. `doubt` is by how much the square of the width of what then
-- stands (95 %) has grown since the count before. What went since the last count is not known yet and not here.
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
        (b.opening - coalesce(k.opened_with, 0) - (b.stands - n.book))::BIGINT AS fallen,
        (round(sign(u.missing) * coalesce(u.size, 0) * u.paired * 10000) + coalesce(m.fall, 0))::BIGINT AS explained,
        ((b.stands_high - b.stands_low) ** 2)::BIGINT AS width
    FROM work.chain_nodes n
    JOIN work.chain_beliefs b USING (group_code, position)
    JOIN work.unrecorded u USING (group_code, position)
    LEFT JOIN work.books k USING (group_code)
    LEFT JOIN movements m USING (group_code, position)
),
-- what is explained at nodes between two counts belongs to the later one
told AS (
    SELECT *, sum(explained) OVER (PARTITION BY group_code ORDER BY position) AS explained_upto FROM levels
),
net AS (
    SELECT *, fallen - round(explained_upto / 10000)::BIGINT AS gone, width - coalesce(lag(width) OVER own, 0) AS doubt,
        coalesce(lag(on_date) OVER own, begun_on) AS since_on
    FROM told
    WHERE kind IN ('count', 'merge')
    WINDOW own AS (PARTITION BY group_code ORDER BY position)
),
kept AS (
    SELECT *, greatest(0, min(gone) OVER (PARTITION BY group_code ORDER BY position
        ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING)) AS upto
    FROM net
),
steps AS (
    SELECT *, upto - coalesce(lag(upto) OVER (PARTITION BY group_code ORDER BY position), 0) AS plants,
        greatest(0, on_date - since_on) AS days
    FROM kept
),
pieces AS (
    SELECT s.group_code, s.position, s.plants, s.doubt, p.piece, p.pieces,
        s.since_on + ((2 * p.piece - 1) * s.days // (2 * p.pieces))::INTEGER AS on_date
    FROM steps s, LATERAL (SELECT unnest(range(1, greatest(1, (s.days + 9) // 10) + 1)) AS piece,
        greatest(1, (s.days + 9) // 10) AS pieces) p
    WHERE s.plants > 0 OR s.doubt <> 0
),
booked AS (
    SELECT group_code, on_date, arg_max(book_after, (ended, instance_id)) AS book FROM work.flows GROUP BY group_code, on_date
),
weighed AS (
    SELECT p.*, greatest(1, coalesce(b.book, 1)) AS plants_then
    FROM pieces p ASOF LEFT JOIN booked b ON b.group_code = p.group_code AND b.on_date <= p.on_date
),
shared AS (
    SELECT *, sum(plants_then) OVER (PARTITION BY group_code, position ORDER BY piece)::BIGINT AS upto,
        sum(plants_then) OVER (PARTITION BY group_code, position)::BIGINT AS whole
    FROM weighed
)
SELECT group_code, on_date, ((2 * plants * upto + whole) // (2 * whole)
        - (2 * plants * (upto - plants_then) + whole) // (2 * whole))::BIGINT AS quantity,
    CASE WHEN piece = pieces THEN doubt ELSE 0 END::BIGINT AS doubt
FROM shared
WHERE quantity > 0 OR (piece = pieces AND doubt <> 0)
