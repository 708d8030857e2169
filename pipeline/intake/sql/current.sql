-- One reading for each identity: the first by reading_id where contents differ (then `versions` is over 1).
WITH arrivals AS (
    SELECT reading_id, min(received_at) AS received_at, min(received_on) AS received_on, min(place) AS source,
        arg_min(form_version, (received_on, sha256, item)) AS form_version
    FROM work.received JOIN kept.raw_files USING (sha256)
    GROUP BY reading_id
),
several AS (
    SELECT instance_id, count(*) AS versions FROM work.readings GROUP BY instance_id HAVING count(*) > 1
),
numbered AS (
    SELECT r.reading_id, row_number() OVER same AS position, s.versions, lead(a.source) OVER same AS other_source
    FROM work.readings r JOIN several s USING (instance_id) JOIN arrivals a USING (reading_id)
    WINDOW same AS (PARTITION BY instance_id ORDER BY reading_id)
)
SELECT r.reading_id, r.instance_id, r.form_id, a.form_version, r.deprecated_id, r.said, r.group_code, r.visit_date,
    r.staff_code, r.ended, a.received_at, a.received_on, a.source, coalesce(n.versions, 1) AS versions, n.other_source
FROM work.readings r JOIN arrivals a USING (reading_id) LEFT JOIN numbered n USING (reading_id)
WHERE coalesce(n.position, 1) = 1
