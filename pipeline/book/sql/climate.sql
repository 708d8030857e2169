-- What instruments showed at places, by accepted submissions, beside the limits that hold there: the table `readings`. What was
-- read since an instrument was set back (`temperature_min`, `temperature_max`) has the limits of what it measures. The time is
-- that of the question `read_at`, else that of saving if this was on the day of the work, else not known.
WITH said AS (
    SELECT p.location, m.what, m.question, m.value, c.visit_date AS read_on, c.form_id, c.staff_code, c.instance_id,
        coalesce(p.read_at, CASE WHEN left(c.ended, 10) = c.visit_date::VARCHAR THEN substr(c.ended, 12, 5) END) AS read_at
    FROM work.measured m JOIN work.current c USING (reading_id) JOIN work.states s USING (instance_id)
    JOIN work.particulars p USING (reading_id)
    WHERE s.state = 'accepted' AND p.location IS NOT NULL AND c.visit_date <= (SELECT until_on FROM work.horizon)
)
SELECT r.location, coalesce(h.house, r.location) AS house, r.what, r.read_on,
    CASE WHEN regexp_full_match(r.read_at, '([01][0-9]|2[0-3]):[0-5][0-9]') THEN r.read_at END AS read_at, r.value,
    l.low AS limit_low, l.high AS limit_high,
    CASE WHEN l.location IS NULL THEN 'no limits' WHEN r.value < l.low THEN 'below' WHEN r.value > l.high THEN 'above'
        ELSE 'within' END AS state,
    r.form_id, r.staff_code, r.instance_id, r.question
FROM said r LEFT JOIN work.houses h USING (location)
LEFT JOIN work.place_limits l ON l.location = r.location AND l.what = regexp_replace(r.what, '_(min|max)$', '')
ORDER BY r.location, r.what, r.read_on, read_at NULLS FIRST, r.instance_id
