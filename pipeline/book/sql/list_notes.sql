-- What is said of the lists themselves, under names of their own: (instance_id, rule, field, value, detail).
-- Rows with faults, and codes that are gone or no longer offered and are still used, each with how many submissions use it.
WITH uses AS (
    SELECT r.list_name, r.code, r.is_listed, r.inactive_since, count(DISTINCT c.instance_id) AS many
    FROM work.lapsed l
    JOIN work.list_rows r ON r.list_name = l.list_name AND r.code = l.value
    JOIN work.current c USING (reading_id)
    JOIN work.states s USING (instance_id)
    WHERE s.state IN ('accepted', 'waiting') AND (NOT r.is_listed OR c.visit_date > r.inactive_since)
    GROUP BY ALL
),
renamed AS (
    SELECT u.list_name, u.code, min(n.code) AS new_code
    FROM uses u
    JOIN work.list_rows r USING (list_name, code)
    JOIN work.list_rows n ON n.list_name = u.list_name AND n.is_listed
        AND n.texts::JSON ->> 'label' = r.texts::JSON ->> 'label' AND n.texts::JSON ->> 'label' <> ''
    WHERE NOT u.is_listed
    GROUP BY ALL
)
SELECT 'list:' || list_name || ':' || code AS instance_id, 'code_gone' AS rule, '' AS field, code AS value,
    packn('{list}.csv, and {n} submission uses it', '{list}.csv, and {n} submissions use it', many, ['list=' || list_name])
    || CASE WHEN new_code IS NULL THEN '' ELSE pack('; {code} has its label now', ['code=' || new_code]) END AS detail
FROM uses LEFT JOIN renamed USING (list_name, code) WHERE NOT is_listed
UNION ALL
SELECT 'list:' || list_name || ':' || code, 'code_not_active', '', code,
    packn('{list}.csv since {day}, and {n} submission is dated after that',
        '{list}.csv since {day}, and {n} submissions are dated after that', many,
        ['list=' || list_name, 'day=@' || inactive_since])
FROM uses WHERE is_listed
UNION ALL
SELECT 'list:' || regexp_extract(place, 'lists/([^.]*)', 1) || ':' || regexp_replace(place, '^[^,]*(, )?', ''),
    'faulty_list', '', place, fault
FROM work.list_faults
UNION ALL
SELECT 'list:locations:' || code, 'faulty_list', '', 'lists/locations.csv, place ' || code, fault FROM work.place_faults
