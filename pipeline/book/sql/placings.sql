-- Where each group stood from when to when, by the places given; a group that never had one stands where it came from.
WITH inherited AS (
    SELECT o.group_code, max_by(g.location, (g.from_on, g.from_ended)) AS location, o.moved_on AS from_on, '' AS from_ended,
        '' AS instance_id
    FROM work.origins o JOIN work.given_places g ON g.group_code = o.from_group AND g.from_on <= o.moved_on
    WHERE o.group_code NOT IN (SELECT group_code FROM work.given_places)
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
