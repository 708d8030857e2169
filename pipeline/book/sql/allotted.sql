-- Which trees go to which order: the oldest trees of a pair to its oldest order, tree by tree. `owed` and `trees` say for each
-- how many come before it, so an order and a group share the trees where these two spans overlap.
SELECT o.order_ref, t.group_code, o.wanted_on, t.of_age_on,
    least(o.before + o.open, t.before + t.trees) - greatest(o.before, t.before) AS trees
FROM work.owed o JOIN work.trees t USING (rootstock, scion)
WHERE least(o.before + o.open, t.before + t.trees) > greatest(o.before, t.before)
ORDER BY o.wanted_on, o.order_ref, t.of_age_on, t.group_code
