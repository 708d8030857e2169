-- What changes which scions grow in a group, in order: buds set, buds that failed, plants moved. Plants set aside because their
-- buds failed carry no scion with them.
SELECT a.group_code, a.visit_date AS on_date, a.ended, a.instance_id, b.word, a.scion, a.moves_to AS to_group,
    coalesce(a.transfer_reason, '') = 'set_aside' AS is_set_aside, sum(b.quantity)::BIGINT AS quantity
FROM work.accepted a JOIN work.bookings b USING (reading_id)
WHERE b.quantity > 0 AND ((b.word = 'set' AND a.scion IS NOT NULL) OR b.word = 'failed'
    OR (b.word = 'moves' AND a.moves_to IS NOT NULL))
GROUP BY ALL
