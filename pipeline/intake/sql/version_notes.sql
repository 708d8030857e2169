-- Submissions that fit and were filled in with an older version of their form, or one that is not known here, said once of
-- each phone and version: (instance_id, rule, field, value, detail).
WITH old AS (
    SELECT c.form_id, c.form_version, coalesce(p.deviceid, '') AS phone, v.version IS NOT NULL AS is_known,
        count(*) AS many
    FROM work.current c
    JOIN work.states s USING (instance_id)
    JOIN work.forms f USING (form_id)
    LEFT JOIN work.particulars p USING (reading_id)
    LEFT JOIN work.form_versions v ON v.form_id = c.form_id AND v.version = c.form_version
    WHERE s.state IN ('accepted', 'waiting') AND c.form_version <> '' AND NOT coalesce(v.is_last, false)
    GROUP BY ALL
)
SELECT 'version:' || form_id || ':' || form_version || ':' || phone AS instance_id,
    CASE WHEN is_known THEN 'old_version' ELSE 'unknown_version' END AS rule, '' AS field, form_version AS value,
    form_id || ' came ' || CASE phone WHEN '' THEN '' ELSE 'from phone ' || phone || ' ' END || 'in ' || many
    || CASE many WHEN 1 THEN ' submission' ELSE ' submissions' END AS detail
FROM old
