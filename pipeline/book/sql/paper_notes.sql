-- Despatches that are other than the paper printed for them, group by group, on the last submission that says so:
-- (instance_id, rule, field, value, detail). Groups of which nothing has gone yet, or not under this paper, are
-- no matter; nor is what lacks of a paper that another one replaced.
SELECT instance_id, 'other_than_on_paper' AS rule, 'despatched' AS field, recorded::VARCHAR AS value,
    CASE WHEN planned IS NULL THEN
            pack('paper {order}/{number} of {day} does not name this group',
                ['order= ' || order_ref, 'number=' || position, 'day=@' || printed_on])
        ELSE pack('paper {order}/{number} of {day} has {trees}',
                ['order= ' || order_ref, 'number=' || position, 'day=@' || printed_on, 'trees=#' || planned]) END AS detail
FROM work.on_paper WHERE recorded IS NOT NULL AND recorded IS DISTINCT FROM planned
    AND (replaced_by IS NULL OR planned IS NULL OR recorded > planned)
