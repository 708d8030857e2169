-- Answers that are missing because their table has no such column:
-- (reading_id, instance_id, field, sha256, place, form_id).
WITH absent AS (
    SELECT sha256, place, form_id, unnest(absent::JSON::VARCHAR[]) AS field FROM work.headings
)
SELECT f.reading_id, r.instance_id, f.field, a.sha256, a.place, a.form_id
FROM work.reading_findings f
JOIN work.readings r USING (reading_id)
JOIN work.current c USING (reading_id)
JOIN absent a ON a.sha256 = r.sha256 AND a.form_id = r.form_id AND a.field = f.field
    AND a.place = regexp_replace(r.source, ', row [0-9]+$', '')
WHERE f.rule = 'missing_answer'
