-- Buds set by a team in a group at an attempt, beside each day's readings of them.
WITH budded AS (
    SELECT a.group_code, a.team_code, a.attempt, sum(b.quantity)::BIGINT AS buds_set
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word = 'set'
    GROUP BY ALL
),
read AS (
    SELECT a.group_code, a.team_code, a.attempt, a.visit_date AS read_on,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'took'), 0)::BIGINT AS green,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'failed'), 0)::BIGINT AS brown,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'unsure'), 0)::BIGINT AS unsure,
        coalesce(sum(b.quantity) FILTER (WHERE b.word = 'leaves'), 0)::BIGINT AS missing
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE a.has_taken
    GROUP BY ALL
)
SELECT * FROM budded LEFT JOIN read USING (group_code, team_code, attempt)
