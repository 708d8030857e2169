-- What one team budded in one group at one attempt. Where scions or batches were mixed in it, the readings
-- cannot be told apart, so the lot stays one and the mixed column is empty.
WITH budded AS (
    SELECT a.group_code, a.team_code, a.attempt, max(a.visit_date) AS budded_on,
        CASE WHEN count(DISTINCT a.scion) = 1 THEN min(a.scion) END AS scion,
        CASE WHEN count(DISTINCT a.budwood_batch) = 1 THEN min(a.budwood_batch) END AS budwood_batch,
        sum(b.quantity)::BIGINT AS buds_set
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word = 'set'
    GROUP BY ALL
)
SELECT l.group_code, l.team_code, l.attempt, o.rootstock, l.scion, l.budwood_batch, l.budded_on, f.read_on,
    f.read_on - l.budded_on AS days, l.buds_set, f.green, f.brown, f.unsure, f.missing,
    f.green / nullif(f.green + f.brown + f.missing, 0) AS take_rate
FROM budded l
LEFT JOIN work.folded f USING (group_code, team_code, attempt)
LEFT JOIN work.origins o USING (group_code)
