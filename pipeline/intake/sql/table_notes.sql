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
        packn('{fields} of {form}, so {n} row is kept out', '{fields} of {form}, so {n} rows are kept out', g.many,
            ['fields=' || g.fields, 'form=' || h.form_id]) AS kept_out,
        array_to_string(h.strange::JSON::VARCHAR[], ', ') AS strange, len(h.strange::JSON::VARCHAR[]) AS how_many
    FROM work.headings h LEFT JOIN gaps g USING (sha256, place, form_id)
)
SELECT instance_id, 'missing_column' AS rule, '' AS field, place AS value,
    CASE how_many WHEN 0 THEN kept_out
        ELSE packn('{kept_out}; the column {columns} fits no question', '{kept_out}; the columns {columns} fit no question',
            how_many, ['kept_out=' || kept_out, 'columns=' || strange]) END AS detail
FROM said WHERE fields IS NOT NULL
UNION ALL
SELECT instance_id, 'unknown_column', '', place, packn('{columns} fits no question of {form}',
    '{columns} fit no question of {form}', how_many, ['columns=' || strange, 'form=' || form_id])
FROM said WHERE fields IS NULL AND how_many > 0
UNION ALL
SELECT instance_id, 'sheet_not_read', '', place, why FROM said WHERE why <> ''
UNION ALL
SELECT 'place:' || place, 'not_taken', '', CASE place WHEN '.' THEN pack('The folder of this nursery') ELSE place END, why
FROM work.not_taken
