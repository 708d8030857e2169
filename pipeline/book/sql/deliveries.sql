-- Each despatch under an order of the list, beside what was ordered: the pair, the stage the trees had reached, and how many of
-- the ordered pair have gone by then. `fits` is empty where it is not known what grows in the group. `to_other`: they went to
-- another consignee than the order's, other than by case, accents, blanks and signs.
WITH sent AS (
    SELECT a.group_code, a.instance_id, a.visit_date AS on_date, a.ended, a.order_ref, a.consignee,
        sum(b.quantity)::BIGINT AS quantity
    FROM work.accepted a JOIN work.bookings b USING (reading_id)
    WHERE b.word = 'despatched' AND a.order_ref IS NOT NULL
    GROUP BY ALL
),
reached AS (
    SELECT s.instance_id, s.group_code, greatest(any_value(i.rank), coalesce(max(e.rank), 1)) AS rank
    FROM sent s LEFT JOIN work.inherited i USING (group_code)
    LEFT JOIN work.stage_events e ON e.group_code = s.group_code AND (e.on_date, e.ended) <= (s.on_date, s.ended)
    GROUP BY ALL
),
beside AS (
    SELECT s.*, r.rank, o.rootstock, g.scion, l.rootstock AS ordered_rootstock, l.scion AS ordered_scion,
        l.quantity AS ordered, l.consignee AS ordered_consignee,
        regexp_replace(lower(strip_accents(s.consignee)), '[^\p{L}\p{N}]', '', 'g')
            <> regexp_replace(lower(strip_accents(l.consignee)), '[^\p{L}\p{N}]', '', 'g') AS to_other,
        CASE WHEN o.rootstock <> l.rootstock OR g.scion <> l.scion THEN false
            WHEN o.rootstock = l.rootstock AND g.scion = l.scion THEN true END AS fits
    FROM sent s JOIN work.list_orders l ON l.code = s.order_ref
    JOIN reached r USING (instance_id, group_code)
    LEFT JOIN work.origins o USING (group_code) LEFT JOIN work.growing g USING (group_code)
)
SELECT *, sum(quantity) FILTER (WHERE coalesce(fits, true))
    OVER (PARTITION BY order_ref ORDER BY on_date, ended, instance_id, group_code)::BIGINT AS upto
FROM beside
ORDER BY order_ref, on_date, ended, instance_id, group_code
