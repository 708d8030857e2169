-- What is said once of a table: columns that fit no question and questions without a column, and sheets that were not read, and
-- files that could not be taken in: (instance_id, rule, field, value, detail), under a name made of the file and the place.
WITH gaps AS (
    SELECT sha256, place, form_id, string_agg(DISTINCT field, ', ' ORDER BY field) AS fields,
        count(DISTINCT instance_id) AS many
    FROM work.column_gaps JOIN work.states s USING (instance_id)
    WHERE s.state NOT IN ('superseded', 'withdrawn')
    GROUP BY ALL
),
said AS (
    SELECT 'table:' || left(h.sha256, 16) || ':' || h.place AS instance_id, h.place, h.form_id, h.why, g.fields, g.many,
        array_to_string(h.strange::JSON::VARCHAR[], ', ') AS strange, len(h.strange::JSON::VARCHAR[]) AS how_many
    FROM work.headings h LEFT JOIN gaps g USING (sha256, place, form_id)
)
SELECT instance_id, 'missing_column' AS rule, '' AS field, place AS value,
    fields || ' of ' || form_id || ', so ' || many || CASE many WHEN 1 THEN ' row is' ELSE ' rows are' END || ' kept out'
    || CASE how_many WHEN 0 THEN '' WHEN 1 THEN '; the column ' || strange || ' fits no question'
        ELSE '; the columns ' || strange || ' fit no question' END AS detail
FROM said WHERE fields IS NOT NULL
UNION ALL
SELECT instance_id, 'unknown_column', '', place, strange || CASE how_many WHEN 1 THEN ' fits' ELSE ' fit' END
    || ' no question of ' || form_id
FROM said WHERE fields IS NULL AND how_many > 0
UNION ALL
SELECT instance_id, 'sheet_not_read', '', place, why FROM said WHERE why <> ''
UNION ALL
SELECT 'place:' || place, 'not_taken', '', CASE place WHEN '.' THEN 'The folder of this nursery' ELSE place END, why
FROM work.not_taken
