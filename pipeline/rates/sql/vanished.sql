-- Plants that the counts of a group show to be gone without a record, in pieces of about ten days, in proportion to what
-- the book has then. What is explained as a move, or as a movement that was noted twice or not made, is no loss; a later
-- gain takes back what seemed lost before it, and so does a loss that is noted after a count had missed it. Whole numbers:
-- the pieces of a group add up to what its last count shows. `doubt` is that of chain_falls. What went since the last
-- count is not known yet and not here.
WITH kept AS (
    SELECT *, greatest(0, min(gone) OVER (PARTITION BY group_code ORDER BY position
        ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING)) AS upto
    FROM work.chain_falls
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
