-- Each place on the list with itself and all places that it is part of, `far` steps away. A way that goes in a circle ends.
WITH RECURSIVE ways AS (
    SELECT code AS location, code AS held_by, 0 AS far, [code] AS way FROM work.list_locations
    UNION ALL
    SELECT w.location, l.part_of, w.far + 1, list_append(w.way, l.part_of)
    FROM ways w JOIN work.list_locations l ON l.code = w.held_by
    WHERE l.part_of IS NOT NULL AND NOT list_contains(w.way, l.part_of)
)
SELECT location, held_by, far FROM ways
