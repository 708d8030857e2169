-- Where each lot was budded: the place that its group stood at at the end of that day, and its house.
WITH stood AS (
    SELECT group_code, from_on, arg_max(location, from_ended) AS location FROM work.placings GROUP BY ALL
)
SELECT l.group_code, l.team_code, l.attempt, s.location, coalesce(h.house, s.location) AS house
FROM work.lots l
ASOF JOIN stood s ON s.group_code = l.group_code AND s.from_on <= l.budded_on
LEFT JOIN work.houses h ON h.location = s.location
