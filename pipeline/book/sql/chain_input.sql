-- The nodes of the chains as numbers: what is not there is -1, days are counted from 1970. The number of another group is that
-- of the next in the walk in 9 of 20 cases, of another of the walk in 4, of the place in 5, of the house in 2 (own judgement,
-- no published source).
SELECT n.group_code, n.position, coalesce(n.counted, -1) AS counted, n.book, n.least, n.days, n.plants, n.rank,
    coalesce(n.shown_count, -1) AS shown, CASE n.kind WHEN 'count' THEN n.known ELSE -1 END AS known,
    coalesce(n.alive, -1) AS alive, coalesce(n.typed, '') AS typed, coalesce(n.staff_codes, '') AS staff,
    (0.45 * coalesce(w.beside, 0) + 0.2 * coalesce(w.walked, 0) + 0.25 * coalesce(o.at_place, 0)
        + 0.1 * coalesce(o.in_house, 0)) AS others,
    (n.on_date - DATE '1970-01-01')::BIGINT AS on_day, CASE n.kind WHEN 'merge' THEN 0 ELSE -1 END AS ceiling,
    coalesce(b.opened_with, 0) AS opened_with
FROM work.chain_nodes n
LEFT JOIN work.of_others o USING (group_code, position)
LEFT JOIN work.of_walk w USING (group_code, position)
LEFT JOIN work.books b USING (group_code)
