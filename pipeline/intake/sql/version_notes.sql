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
    CASE phone
        WHEN '' THEN packn('{form} came in {n} submission', '{form} came in {n} submissions', many, ['form=' || form_id])
        ELSE packn('{form} came from phone {phone} in {n} submission', '{form} came from phone {phone} in {n} submissions',
            many, ['form=' || form_id, 'phone=' || phone]) END AS detail
FROM old
