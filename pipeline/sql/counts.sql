-- Completed counts, each beside what was expected: what the count before left (or the group opened with), with all
-- that was recorded since. Until counts are weighed by a model of miscounting, `flagged` is further off than the
-- tolerances of nursery.toml, the limits are those tolerances, and p_wrong is empty.
WITH ordered AS (
    SELECT *, row_number() OVER (PARTITION BY group_code ORDER BY on_date, ended, instance_ids) AS position
    FROM work.completed
),
paired AS (
    SELECT c.*, p.on_date AS before_on, p.ended AS before_ended, coalesce(p.instance_ids, '') AS before_ids,
        coalesce(p.left_after, 0) AS before_left
    FROM ordered c
    LEFT JOIN ordered p ON p.group_code = c.group_code AND p.position = c.position - 1
),
between_counts AS (
    SELECT c.group_code, c.position, sum(f.net)::BIGINT AS net
    FROM paired c JOIN work.flows f USING (group_code)
    WHERE (f.on_date, f.ended) <= (c.on_date, c.ended)
        AND NOT contains(c.instance_ids, f.instance_id)
        AND (c.before_on IS NULL OR (f.on_date, f.ended) > (c.before_on, c.before_ended))
        AND NOT contains(c.before_ids, f.instance_id)
    GROUP BY ALL
),
expected AS (
    SELECT c.*, (c.before_left + coalesce(b.net, 0))::BIGINT AS expected
    FROM paired c LEFT JOIN between_counts b USING (group_code, position)
),
banded AS (
    SELECT *, greatest(t.count_plants, ceil(t.count_share * expected))::BIGINT AS band
    FROM expected, work.settings t
)
SELECT group_code, on_date, form_id, instance_ids, counted, expected,
    greatest(0, expected - band) AS expected_low, expected + band AS expected_high,
    NULL::DOUBLE AS p_wrong, abs(counted - expected) > band AS flagged,
    left_after, ended, position, staff_codes
FROM banded
ORDER BY group_code, position
