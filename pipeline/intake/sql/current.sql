-- One reading for each identity: the first by reading_id where contents differ (then `versions` is over 1).
WITH arrivals AS (
    SELECT reading_id, min(received_at) AS received_at, min(received_on) AS received_on, min(place) AS source
    FROM work.received JOIN kept.raw_files USING (sha256)
    GROUP BY reading_id
),
numbered AS (
    SELECT r.*, a.received_at, a.received_on, a.source,
        row_number() OVER same AS position,
        count(*) OVER (PARTITION BY instance_id) AS versions,
        lead(a.source) OVER same AS other_source
    FROM work.readings r JOIN arrivals a USING (reading_id)
    WINDOW same AS (PARTITION BY instance_id ORDER BY reading_id)
)
SELECT * EXCLUDE (position) FROM numbered WHERE position = 1
