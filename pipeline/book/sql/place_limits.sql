-- The limits that hold at each place on the list, for each thing that is measured: those of the place itself, else of the
-- nearest place that it is part of, else those that name no place. Of two lines for the same, the one with the first code;
-- of a line with something that cannot be read nothing.
WITH holders AS (
    SELECT location, held_by, far FROM work.place_ways
    UNION ALL
    SELECT code, NULL, (SELECT count(*) FROM work.list_locations) FROM work.list_locations
)
SELECT h.location, l.what, l.low, l.high
FROM work.list_limits l JOIN holders h ON h.held_by IS NOT DISTINCT FROM l.place
ANTI JOIN work.unread_cells u ON u.list_name = 'limits' AND u.code = l.code
WHERE (l.low IS NOT NULL OR l.high IS NOT NULL)
QUALIFY row_number() OVER (PARTITION BY h.location, l.what ORDER BY h.far, l.code) = 1
