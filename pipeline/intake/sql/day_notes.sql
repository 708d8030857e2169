-- Days of import that do not fit, as people have left them: most of what came in on the day is dated after it, or files that
-- came in later have an earlier day: (instance_id, rule, field, value, detail), under a name made of the day.
-- Of two days that came in out of order the one that is so with more others is doubted, or both. A day that a person has
-- corrected is doubted no more for the order.
WITH dated AS (
    SELECT c.received_on AS day, count(c.visit_date) AS many, count(*) FILTER (c.visit_date > c.received_on) AS after,
        max(c.visit_date) AS latest
    FROM work.current c JOIN work.states s USING (instance_id)
    WHERE s.state NOT IN ('superseded', 'withdrawn')
    GROUP BY ALL
),
came AS (
    SELECT f.received_on AS day, min(f.rowid) AS first, max(f.rowid) AS last
    FROM (SELECT DISTINCT sha256, received_on FROM work.readings) r
    JOIN kept.raw_files f USING (sha256, received_on)
    GROUP BY ALL
),
crossed AS (
    SELECT a.day AS later, b.day AS earlier FROM came a JOIN came b ON a.day > b.day AND a.first < b.last
),
often AS (
    SELECT day, count(*) AS times FROM (SELECT later AS day FROM crossed UNION ALL SELECT earlier FROM crossed) GROUP BY ALL
),
doubted AS (
    SELECT later, earlier, l.times >= e.times AS is_later, e.times >= l.times AS is_earlier
    FROM crossed JOIN often l ON l.day = later JOIN often e ON e.day = earlier
),
said AS (
    SELECT day, pack('submissions are dated after it ({some} of {dated}), the last {day}',
            ['dated=#' || many, 'some=#' || after, 'day=@' || latest]) AS detail
    FROM dated WHERE after >= 3 AND 2 * after > many
    UNION ALL
    SELECT later, pack('files that came in after that have the day {day}', ['day=@' || max(earlier)])
    FROM doubted WHERE is_later GROUP BY later
    UNION ALL
    SELECT earlier, pack('files that came in before that have the day {day}', ['day=@' || min(later)])
    FROM doubted WHERE is_earlier GROUP BY earlier
)
SELECT 'day:' || day AS instance_id, 'day_of_import' AS rule, 'received_on' AS field, day::VARCHAR AS value,
    string_agg(detail, '; ' ORDER BY detail) AS detail
FROM said GROUP BY day
