-- Where each group stands: the last place given; for a group that never had one, that of the group it came from.
WITH own AS (
    SELECT group_code, location FROM work.given_places
    QUALIFY row_number() OVER (PARTITION BY group_code ORDER BY from_on DESC, from_ended DESC, instance_id DESC) = 1
)
SELECT o.group_code, coalesce(mine.location, theirs.location) AS location
FROM work.origins o
LEFT JOIN own mine USING (group_code)
LEFT JOIN own theirs ON theirs.group_code = o.from_group
