-- What went (or came) between two nodes of a chain without a record, by the stage and the place it happened in. `lost` is the
-- mean of what went for good: the fall of what stands against the book, less what a recorded movement that was not as
-- recorded, or a move that nobody wrote down, is believed to have made of it.
WITH sizes AS (
    SELECT group_code, position, any_value(size) FILTER (WHERE turn = 1) AS size_1,
        any_value(size) FILTER (WHERE turn = 2) AS size_2, any_value(size) FILTER (WHERE turn = 3) AS size_3
    FROM work.chain_jumps GROUP BY ALL
)
SELECT n.group_code, n.position, n.kind, n.on_date, n.since_on, n.instance_ids, n.counted, n.staff_codes,
    ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'][n.rank] AS stage, n.location,
    b.missing::BIGINT AS missing, b.missing_low::BIGINT AS missing_low, b.missing_high::BIGINT AS missing_high,
    b.missing_chance, b.stands::BIGINT AS stands, b.jump_1, b.jump_2, b.jump_3, b.paired, m.other_group, m.size,
    (b.gone + b.jump_1 * coalesce(s.size_1, 0) + b.jump_2 * coalesce(s.size_2, 0) + b.jump_3 * coalesce(s.size_3, 0)
        - b.paired * coalesce(m.size, 0) * sign(b.missing))::DOUBLE AS lost
FROM work.chain_nodes n
JOIN work.chain_beliefs b USING (group_code, position)
LEFT JOIN sizes s USING (group_code, position)
LEFT JOIN work.paired_moves m USING (group_code, position)
