-- What is odd about readings, as (instance_id, rule, field, value, detail): outside the limits, one finding for a place, what
-- was measured and the day; and ten or more in a row that are the same (common practice, no published source).
WITH outside AS (
    SELECT location, read_on, limit_low, limit_high, count(*) AS readings, count(*) FILTER (state <> 'within') AS outside,
        max_by(struct_pack(instance_id, question, value),
            (greatest(limit_low - value, value - limit_high), instance_id, question))
            FILTER (state <> 'within') AS furthest
    FROM work.climate WHERE state <> 'no limits'
    GROUP BY location, regexp_replace(what, '_(min|max)$', ''), read_on, limit_low, limit_high HAVING outside > 0
),
told AS (
    SELECT *, ['place= ' || location, 'day=@' || read_on, 'n=#' || outside, 'readings=#' || readings,
        'low=' || coalesce(format('{:g}', limit_low), ''), 'high=' || coalesce(format('{:g}', limit_high), '')] AS given
    FROM outside
),
turned AS (
    SELECT *, value IS DISTINCT FROM lag(value) OVER same AS is_new
    FROM work.climate
    WINDOW same AS (PARTITION BY location, what ORDER BY read_on, read_at NULLS FIRST, instance_id)
),
runs AS (
    SELECT *, sum(is_new::INTEGER) OVER (PARTITION BY location, what ORDER BY read_on, read_at NULLS FIRST, instance_id) AS run
    FROM turned
),
alike AS (
    SELECT location, any_value(question) AS question, value, count(*) AS readings, min(read_on) AS first_on,
        max(read_on) AS last_on, max_by(instance_id, (read_on, coalesce(read_at, ''), instance_id)) AS instance_id
    FROM runs GROUP BY location, what, run, value HAVING count(*) >= 10
)
SELECT furthest.instance_id AS instance_id, 'outside_limits' AS rule, furthest.question AS field,
    furthest.value::VARCHAR AS value,
    CASE WHEN limit_low IS NULL THEN pack('{place}, {day}: readings outside: {n} of {readings}; the most is {high}', given)
        WHEN limit_high IS NULL THEN pack('{place}, {day}: readings outside: {n} of {readings}; the least is {low}', given)
        ELSE pack('{place}, {day}: readings outside: {n} of {readings}; the limits are {low} to {high}', given) END AS detail
FROM told
UNION ALL
SELECT instance_id, 'same_reading', question, value::VARCHAR,
    pack('{n} readings in a row at {place}, {first} to {last}', ['n=#' || readings, 'place= ' || location,
        'first=@' || first_on, 'last=@' || last_on])
FROM alike
