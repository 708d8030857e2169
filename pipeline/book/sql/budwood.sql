-- Each budwood batch: buds cut, set and left over, and how old it was when it was last set.
WITH used AS (
    SELECT a.budwood_batch AS code, sum(b.quantity)::BIGINT AS buds_set, min(a.visit_date) AS first_used,
        max(a.visit_date) AS last_used
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word = 'set' AND b.quantity > 0 AND a.budwood_batch IS NOT NULL
    GROUP BY a.budwood_batch
)
SELECT b.code AS budwood_batch, b.scion, b.source_block, b.source_tree, b.cut_on, b.authorisation, b.buds AS buds_cut,
    coalesce(u.buds_set, 0) AS buds_set,
    CASE WHEN b.buds IS NOT NULL THEN greatest(0, b.buds - coalesce(u.buds_set, 0)) END AS left_over, u.first_used, u.last_used,
    (u.last_used - b.cut_on)::BIGINT AS oldest_days,
    CASE WHEN u.code IS NULL THEN 'not used' WHEN u.first_used < b.cut_on THEN 'set before it was cut'
        WHEN u.buds_set > b.buds THEN 'more set than cut' WHEN u.last_used - b.cut_on > t.budwood_days THEN 'used late'
        WHEN b.authorisation IS NULL THEN 'no authorisation' WHEN b.buds IS NULL OR b.cut_on IS NULL THEN 'not told'
        ELSE 'in order' END AS state
FROM work.budwood_batches b LEFT JOIN used u USING (code), work.settings t
ORDER BY b.cut_on NULLS FIRST, b.code
