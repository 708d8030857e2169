-- Plants by the stage they were in: came in, lost by cause, left alive; and those the counts show to have vanished, with
-- the doubt of it.
SELECT p.group_code, l.root, o.rootstock, p.rank, p.kind, p.cause, sum(p.quantity)::BIGINT AS quantity, s.rank AS group_rank
FROM work.placed_changes p JOIN work.stages s USING (group_code) LEFT JOIN work.origins o USING (group_code)
LEFT JOIN work.lineage l USING (group_code)
GROUP BY ALL
