-- Budwood batches, of the list and of records of cutting. What the list says counts, and where it says nothing the record; what
-- records of one batch say differently nobody knows, and their buds add up only where they are of one scion, source and day.
WITH told AS (
    SELECT budwood_batch AS code, CASE WHEN count(DISTINCT scion) = 1 THEN min(scion) END AS scion,
        CASE WHEN count(DISTINCT source_block) = 1 THEN min(source_block) END AS source_block,
        CASE WHEN count(DISTINCT source_tree) = 1 THEN min(source_tree) END AS source_tree,
        CASE WHEN count(DISTINCT cut_on) = 1 THEN min(cut_on) END AS cut_on,
        CASE WHEN count(DISTINCT authorisation) = 1 THEN min(authorisation) END AS authorisation,
        CASE WHEN count(DISTINCT (scion, source_block, source_tree, cut_on)) = 1 THEN sum(buds)::BIGINT END AS buds
    FROM work.cuts GROUP BY budwood_batch
)
SELECT code, coalesce(l.label, code) AS label, coalesce(l.scion, t.scion) AS scion,
    coalesce(l.source_block, t.source_block) AS source_block, coalesce(l.source_tree, t.source_tree) AS source_tree,
    coalesce(l.cut_on, t.cut_on) AS cut_on, coalesce(l.authorisation, t.authorisation) AS authorisation,
    coalesce(l.buds, t.buds) AS buds
FROM work.list_budwood_batches l FULL JOIN told t USING (code)
ORDER BY code
