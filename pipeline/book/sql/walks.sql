-- Every walk of scouting for one pest or symptom that is in the books: how many plants were examined of how many that stood at
-- the place by the phone's list (empty where it did not say, or said fewer than were examined).
SELECT s.instance_id, s.on_date, s.staff_code, s.location, h.house, s.found_what AS pest, s.examined, s.affected, s.traps,
    s.trap_count, CASE WHEN s.shown_plants >= s.examined THEN s.shown_plants END AS plants
FROM work.scouted s JOIN work.states t USING (instance_id) LEFT JOIN work.houses h USING (location), work.horizon z
WHERE t.state = 'accepted' AND s.on_date <= z.until_on AND s.affected BETWEEN 0 AND s.examined AND s.examined > 0
    AND s.found_what IS NOT NULL AND s.location IS NOT NULL
