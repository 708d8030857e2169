-- Every treatment, in the books or kept out of them, but for those that were withdrawn or edited since: where, with what, by
-- whom, and until when nobody goes in by what was taken from the label.
SELECT t.instance_id, s.state, t.on_date, t.location, h.house, t.product,
    coalesce(p.label, t.product_name, t.product) AS label,
    coalesce(nullif(t.active_ingredient, ''), t.ingredient_name, p.active_ingredient) AS active_ingredient,
    t.dose, t.dose_unit, t.area_m2, t.volume_l,
    coalesce(t.target, t.target_other) AS target, t.applicator, t.started_at,
    t.on_date + (coalesce(t.over_midnight, '') = 'yes')::INTEGER AS ended_on, t.ended_at,
    t.reentry_on, t.reentry_at, t.weather, t.staff_code
FROM work.treated t JOIN work.states s USING (instance_id)
LEFT JOIN work.houses h USING (location) LEFT JOIN work.list_products p ON p.code = t.product
WHERE s.state NOT IN ('superseded', 'withdrawn')
ORDER BY t.on_date, t.started_at, t.instance_id
