-- The nodes of the chains as numbers: what is not there is -1, days are counted from 1970.
SELECT n.group_code, n.position, coalesce(n.counted, -1) AS counted, n.book, n.least, n.days, n.plants, n.rank,
    coalesce(n.shown_count, -1) AS shown, CASE n.kind WHEN 'count' THEN n.known ELSE -1 END AS known,
    coalesce(n.alive, -1) AS alive, coalesce(n.typed, '') AS typed, coalesce(n.staff_codes, '') AS staff, coalesce(o.chance, 0) AS others,
    (n.on_date - DATE '1970-01-01')::BIGINT AS on_day, CASE n.kind WHEN 'merge' THEN 0 ELSE -1 END AS ceiling,
    coalesce(b.opened_with, 0) AS opened_with
FROM work.chain_nodes n
LEFT JOIN work.of_others o USING (group_code, position)
LEFT JOIN work.books b USING (group_code)
