-- Recorded movements that may not be what the record says, by the step of the chain in which they fall: a loss that was
-- noted after a count had already missed those plants, or a movement that was recorded twice or never made. `size` is
-- what the number standing would be more than the book says, `turn` its place among those of the step.
WITH own AS (
    SELECT group_code, position, unnest(string_split(instance_ids, ' ')) AS instance_id
    FROM work.chain_nodes WHERE kind = 'count'
),
apart AS (
    SELECT m.group_code, m.on_date, m.ended, m.instance_id, bool_and(m.kind = 'lost') AS is_loss,
        sum(CASE WHEN m.kind = 'moved_in' THEN -m.quantity ELSE m.quantity END)::BIGINT AS size
    FROM work.movements m JOIN work.openings o ON o.group_code = m.group_code
    WHERE m.kind <> 'opened' AND (m.kind <> 'moved_in' OR m.on_date > o.opened_on)
        AND (m.group_code, m.instance_id) NOT IN (SELECT group_code, instance_id FROM own)
    GROUP BY ALL
),
nodes AS (
    SELECT group_code, position, on_date, ended, instance_ids,
        last_value(CASE WHEN kind <> 'alive' THEN position END IGNORE NULLS) OVER (PARTITION BY group_code ORDER BY position
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS counted_at
    FROM work.chain_nodes
),
placed AS (
    SELECT f.*, n.position, n.counted_at
    FROM apart f JOIN nodes n ON n.group_code = f.group_code
        AND (f.on_date, f.ended) <= (n.on_date, n.ended) AND NOT contains(n.instance_ids, f.instance_id)
    QUALIFY row_number() OVER (PARTITION BY f.group_code, f.instance_id ORDER BY n.position) = 1
),
-- a late note is two jumps: the plants were gone before the count before, earlier than the book says, and not again here
jumps AS (
    SELECT group_code, position, instance_id, is_loss, size FROM placed WHERE NOT is_loss OR counted_at > 0
    UNION ALL
    SELECT group_code, counted_at, instance_id, is_loss, -size FROM placed WHERE is_loss AND counted_at > 0
)
SELECT group_code, position, instance_id, is_loss, size,
    row_number() OVER (PARTITION BY group_code, position ORDER BY is_loss DESC, abs(size) DESC, size, instance_id) AS turn
FROM jumps
WHERE abs(size) >= 3
QUALIFY turn <= 3
