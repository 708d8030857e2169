-- Groups that were opened from a sowing: (sowing_code, group_code, instance_id, visit_date, ended, seed_lot, sow_date, lifted,
-- planted); planted is what was lifted less what was taken out at once.
SELECT upper(a.sowing_code) AS sowing_code, a.group_code, a.instance_id, a.visit_date, a.ended, a.seed_lot, a.sow_date,
    coalesce(sum(b.quantity) FILTER (WHERE b.word = 'opens'), 0)::BIGINT AS lifted,
    lifted - coalesce(sum(b.quantity) FILTER (WHERE b.word = 'leaves'), 0)::BIGINT AS planted
FROM work.accepted a JOIN work.bookings b USING (reading_id)
WHERE a.opens AND a.sowing_code <> ''
GROUP BY ALL
