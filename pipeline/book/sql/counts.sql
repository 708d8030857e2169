-- Completed counts, each beside what should have been found by the book and all the other counts of the group. p_wrong
-- is the chance that the count is further off than an ordinary miscount; a count is flagged when that is a half or more
-- and it is off by as many plants as nursery.toml wants shown.
SELECT n.group_code, n.on_date, n.form_id, n.instance_ids, n.counted, b.expected::BIGINT AS expected,
    b.expected_low::BIGINT AS expected_low, b.expected_high::BIGINT AS expected_high, b.p_wrong,
    b.p_wrong >= 0.5 AND abs(n.counted - b.expected) >= t.count_plants AS flagged,
    n.ended, n.position, n.staff_codes, n.location, n.house, n.walk, n.rank, n.taken_out, n.typed,
    b.p_exact, b.p_rounded, b.p_copied, b.agrees_by_chance, b.error, b.way::BIGINT AS way,
    b.way_chance, b.stands::BIGINT AS stands, b.stands_low::BIGINT AS stands_low, b.stands_high::BIGINT AS stands_high,
    n.position = max(n.position) OVER (PARTITION BY n.group_code) AS is_last
FROM work.chain_nodes n JOIN work.chain_beliefs b USING (group_code, position), work.settings t
WHERE n.kind = 'count'
