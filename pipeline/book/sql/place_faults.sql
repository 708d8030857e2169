-- Places that cannot be part of what the list says, and why.
SELECT l.code,
    CASE WHEN h.code IS NULL THEN pack('it is part of {house}, which is not in the list', ['house=' || l.part_of])
        ELSE pack('what it is part of goes in a circle, by way of {house}', ['house=' || l.part_of])
    END AS fault
FROM work.list_locations l
LEFT JOIN work.list_locations h ON h.code = l.part_of
LEFT JOIN work.houses o ON o.location = l.code
WHERE l.part_of IS NOT NULL AND (h.code IS NULL OR o.house = l.code)
ORDER BY l.code
