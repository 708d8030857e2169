-- What went (or came) between two nodes of a chain without a record, by the stage and the place it happened in.
SELECT n.group_code, n.position, n.kind, n.on_date, n.since_on, n.instance_ids, n.counted, n.staff_codes,
    ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'][n.rank] AS stage, n.location,
    b.missing::BIGINT AS missing, b.missing_low::BIGINT AS missing_low, b.missing_high::BIGINT AS missing_high,
    b.missing_chance,
    b.stands::BIGINT AS stands, b.jump_1, b.jump_2, b.jump_3, b.paired, m.other_group, m.size,
    (b.gone * (1 - b.paired - b.jump_1 - b.jump_2 - b.jump_3))::DOUBLE AS lost
FROM work.chain_nodes n
JOIN work.chain_beliefs b USING (group_code, position)
LEFT JOIN work.paired_moves m USING (group_code, position)
