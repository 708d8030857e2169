-- Where each group stood from when to when, by the places given; a group stands where it came from until a place is given.
WITH first_given AS (
    SELECT group_code, min(from_on) AS first_on FROM work.given_places GROUP BY group_code
),
inherited AS (
    SELECT o.group_code, max_by(g.location, (g.from_on, g.from_ended)) AS location, o.moved_on AS from_on, '' AS from_ended,
        '' AS instance_id
    FROM work.origins o
    JOIN work.given_places g ON g.group_code = o.from_group AND g.from_on <= o.moved_on
    LEFT JOIN first_given f ON f.group_code = o.group_code
    WHERE f.first_on IS NULL OR f.first_on > o.moved_on
    GROUP BY ALL
),
placed AS (
    SELECT * FROM work.given_places
    UNION ALL
    SELECT * FROM inherited
),
-- one place a moment: of two given at once the later submission stands
single AS (
    SELECT * FROM placed
    QUALIFY row_number() OVER (PARTITION BY group_code, from_on, from_ended ORDER BY instance_id DESC) = 1
)
SELECT group_code, location, from_on, from_ended,
    lead(from_on) OVER own AS until_on, lead(from_ended) OVER own AS until_ended
FROM single
WINDOW own AS (PARTITION BY group_code ORDER BY from_on, from_ended)
