-- One reading for each identity: the first by reading_id where contents differ (then `versions` is over 1); with where it
-- came from, and what the state of a submission depends on. What instruments showed may be the same twice a day: where the
-- hour was not typed, what is said has the minute of saving in it.
WITH several AS (
    SELECT instance_id, count(*) AS versions FROM work.readings GROUP BY instance_id HAVING count(*) > 1
),
numbered AS (
    SELECT r.reading_id, s.versions, row_number() OVER same AS position, lead(r.source) OVER same AS other_source
    FROM work.readings r JOIN several s USING (instance_id)
    WINDOW same AS (PARTITION BY instance_id ORDER BY reading_id)
)
SELECT r.reading_id, r.instance_id, r.form_id, r.form_version, r.deprecated_id,
    CASE WHEN r.ended IS NOT NULL AND p.read_at IS NULL AND r.reading_id IN (SELECT reading_id FROM work.measured)
        THEN md5(r.said || left(r.ended, 16))::UUID ELSE r.said END AS said, r.group_code, r.visit_date,
    r.staff_code, r.ended, f.received_at, r.received_on, r.source, coalesce(n.versions, 1) AS versions, n.other_source,
    coalesce(p.opens, false) AS opens, CASE WHEN p.moving > 0 THEN p.moves_to END AS moves_to,
    CASE WHEN p.sets_buds AND p.attempt IS NOT NULL AND r.group_code IS NOT NULL THEN p.team_code END AS set_by,
    CASE WHEN p.reads_buds AND p.attempt IS NOT NULL AND r.group_code IS NOT NULL THEN p.team_code END AS read_of,
    p.attempt, coalesce(p.transfer_reason, '') AS reason
FROM work.readings r
JOIN kept.raw_files f USING (sha256)
LEFT JOIN numbered n USING (reading_id)
LEFT JOIN work.particulars p USING (reading_id)
WHERE coalesce(n.position, 1) = 1
