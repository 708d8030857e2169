-- Where each group stood from when to when, by the places given. Until it has one of its own a group stands where the group it
-- came from stood on that day, as far back as it takes, and stays there when that one is moved.
WITH RECURSIVE first_given AS (
    SELECT group_code, min(from_on) AS first_on FROM work.given_places GROUP BY group_code
),
-- back to the first group that had a place by then
back AS (
    SELECT o.group_code, o.moved_on AS from_on, o.from_group AS past, o.moved_on
    FROM work.origins o LEFT JOIN first_given f USING (group_code)
    WHERE o.from_group IS NOT NULL AND (f.first_on IS NULL OR f.first_on > o.moved_on)
    UNION ALL
    SELECT b.group_code, b.from_on, o.from_group, o.moved_on
    FROM back b JOIN work.origins o ON o.group_code = b.past LEFT JOIN first_given f ON f.group_code = b.past
    WHERE o.from_group IS NOT NULL AND (f.first_on IS NULL OR f.first_on > b.moved_on)
),
inherited AS (
    SELECT b.group_code, max_by(g.location, (g.from_on, g.from_ended, g.instance_id)) AS location, b.from_on, '' AS from_ended,
        '' AS instance_id
    FROM back b JOIN work.given_places g ON g.group_code = b.past AND g.from_on <= b.moved_on
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
