-- Seed lots and budwood batches that plants of each group may be of (`kind`, `code`): of what was opened or budded in it, or
-- came with plants that were moved in since. Plants set aside because their buds failed bring no batch. `last_on` is the last
-- day on which any of it was opened or budded. The code is empty where none was named.
WITH RECURSIVE begun AS (
    SELECT a.group_code, CASE b.word WHEN 'opens' THEN 'seed_lot' ELSE 'batch' END AS kind,
        CASE b.word WHEN 'opens' THEN a.seed_lot ELSE a.budwood_batch END AS code, a.visit_date AS on_date
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word IN ('opens', 'set') AND b.quantity > 0
    GROUP BY ALL
),
held AS (
    SELECT group_code, kind, code, on_date AS last_on, on_date AS since FROM begun
    UNION
    SELECT m.group_code, h.kind, h.code, h.last_on, m.on_date
    FROM work.movements m
    JOIN held h ON h.group_code = m.other_group AND h.since <= m.on_date
    JOIN work.accepted a USING (instance_id)
    WHERE m.kind = 'moved_in'
        AND (h.kind = 'seed_lot' OR NOT (a.reads_buds OR coalesce(a.transfer_reason, '') = 'set_aside'))
)
SELECT group_code, kind, code, max(last_on) AS last_on FROM held GROUP BY ALL ORDER BY ALL
