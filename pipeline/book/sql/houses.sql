-- The house of each place on the list: the outermost place that it is part of, itself where it is part of none.
-- Where a holder is not on the list the way ends; a place whose way goes in a circle is its own house.
WITH RECURSIVE held AS (
    SELECT l.code AS location, h.code AS part_of
    FROM work.list_locations l LEFT JOIN work.list_locations h ON h.code = l.part_of
),
ways AS (
    SELECT location, location AS outermost, [location] AS way, false AS is_loop FROM held
    UNION ALL
    SELECT w.location, h.part_of, list_append(w.way, h.part_of), list_contains(w.way, h.part_of)
    FROM ways w JOIN held h ON h.location = w.outermost
    WHERE h.part_of IS NOT NULL AND NOT w.is_loop
)
SELECT location, CASE WHEN bool_or(is_loop) THEN location ELSE max_by(outermost, len(way)) END AS house
FROM ways GROUP BY location ORDER BY location
