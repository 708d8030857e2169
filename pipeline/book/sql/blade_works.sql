-- Work by blades (budding, cutting back, topping), record by record, with what `hygiene` has of that day and team, or person.
SELECT DISTINCT a.instance_id, a.group_code, a.visit_date, h.team_code, h.disinfections, h.not_between, h.state
FROM work.accepted a JOIN work.hygiene h ON h.kind = 'blades' AND h.on_date = a.visit_date
    AND h.team_code IS NOT DISTINCT FROM CASE WHEN a.sets_buds THEN a.team_code END
    AND h.staff_code IS NOT DISTINCT FROM CASE WHEN NOT a.sets_buds OR a.team_code IS NULL THEN a.staff_code END
WHERE a.sets_buds OR a.stage IN ('cut_back', 'topped')
