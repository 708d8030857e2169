-- Cycles of growing medium and trays beside the nursery's set time and temperature; and, from the day on which
-- disinfecting was first recorded, each team (or, where no team is named, person) and day with work by blades: groups,
-- changes of cultivar, and which of them have no disinfecting recorded between. The order is that of the times of
-- saving; where these do not tell it, or the cultivar is not known, changes are empty. The hour that was typed of a
-- disinfecting counts where the phone saved its own zone, as the whole of its minute; some save all in UTC, and there the
-- time of saving counts.
WITH recorded AS (
    SELECT c.instance_id, c.visit_date, c.staff_code, r.* EXCLUDE (reading_id), c.ended,
        CASE WHEN regexp_matches(c.ended, '[+-][0-9]{2}:[0-9]{2}$') AND right(c.ended, 5) <> '00:00'
            THEN c.visit_date || 'T' || r.done_at END AS typed,
        r.item IN ('knives', 'shears') AS is_of_blades
    FROM work.sterilised r JOIN work.current c USING (reading_id) JOIN work.states s USING (instance_id)
    WHERE s.state = 'accepted' AND c.visit_date <= (SELECT until_on FROM work.horizon)
),
timed AS (
    SELECT *, TRY_CAST(left(ended_at, 2) AS BIGINT) * 60 + TRY_CAST(right(ended_at, 2) AS BIGINT)
        - TRY_CAST(left(started_at, 2) AS BIGINT) * 60 - TRY_CAST(right(started_at, 2) AS BIGINT)
        + CASE WHEN over_midnight = 'yes' THEN 1440 ELSE 0 END AS minutes
    FROM recorded WHERE NOT is_of_blades
),
done AS (
    SELECT visit_date, TRY_CAST(coalesce(typed || ':00' || right(ended, 6), ended) AS TIMESTAMPTZ) AS saved,
        TRY_CAST(coalesce(typed || ':59' || right(ended, 6), ended) AS TIMESTAMPTZ) AS saved_by,
        team_code, CASE WHEN team_code IS NULL THEN staff_code END AS staff_code
    FROM recorded WHERE is_of_blades
),
work_done AS (
    SELECT a.instance_id, a.group_code, a.visit_date, CASE WHEN a.sets_buds THEN a.team_code END AS team_code,
        CASE WHEN NOT a.sets_buds OR a.team_code IS NULL THEN a.staff_code END AS staff_code,
        coalesce(a.scion, g.scion) AS scion,
        CASE WHEN TRY_CAST(left(a.ended, 10) AS DATE) = a.visit_date THEN TRY_CAST(a.ended AS TIMESTAMPTZ) END AS saved
    FROM work.accepted a LEFT JOIN work.growing g USING (group_code)
    WHERE (a.sets_buds OR a.stage IN ('cut_back', 'topped')) AND a.visit_date >= (SELECT min(visit_date) FROM done)
),
in_turn AS (
    SELECT *, lag(scion) OVER turn AS scion_before, lag(saved) OVER turn AS saved_before
    FROM work_done
    WINDOW turn AS (PARTITION BY visit_date, team_code, staff_code ORDER BY saved, instance_id)
),
changes AS (
    SELECT w.*, coalesce(w.scion <> w.scion_before, false) AS is_change,
        count(d.visit_date) FILTER (WHERE d.saved <= w.saved) AS turn, count(d.visit_date) AS disinfections,
        coalesce(bool_and(d.saved IS NOT NULL) FILTER (WHERE d.visit_date IS NOT NULL), true) AS is_timed,
        coalesce(bool_or(d.saved <= w.saved AND d.saved_by >= w.saved_before), false) AS is_between
    FROM in_turn w LEFT JOIN done d ON d.visit_date = w.visit_date AND d.team_code IS NOT DISTINCT FROM w.team_code
        AND d.staff_code IS NOT DISTINCT FROM w.staff_code
    GROUP BY ALL
),
runs AS (
    SELECT visit_date, team_code, staff_code, max(groups) AS most_groups
    FROM (SELECT visit_date, team_code, staff_code, turn, count(DISTINCT group_code) AS groups FROM changes GROUP BY ALL)
    GROUP BY ALL
),
days AS (
    SELECT visit_date, team_code, staff_code, count(DISTINCT group_code) AS groups, any_value(disinfections) AS disinfections,
        count(*) = 1 OR (count(saved) = count(*) AND count(DISTINCT saved) = count(*) AND count(scion) = count(*)
            AND bool_and(is_timed)) OR (count(scion) = count(*) AND count(DISTINCT scion) = 1) AS is_told,
        count(saved) = count(*) AND count(DISTINCT saved) = count(*) AND bool_and(is_timed) AS is_ordered,
        count(*) FILTER (WHERE is_change) AS changes, count(*) FILTER (WHERE is_change AND NOT is_between) AS not_between,
        coalesce(arg_min(instance_id, (saved, instance_id)) FILTER (WHERE is_change AND NOT is_between), min(instance_id))
            AS instance_id
    FROM changes GROUP BY ALL
),
blades AS (
    SELECT d.* EXCLUDE (changes, not_between), CASE WHEN d.is_told THEN d.changes END AS changes,
        CASE WHEN d.is_told THEN d.not_between END AS not_between, CASE WHEN d.is_ordered THEN r.most_groups END AS most_groups,
        EXISTS (FROM done e WHERE e.team_code IS NOT DISTINCT FROM d.team_code
            AND e.staff_code IS NOT DISTINCT FROM d.staff_code) AS has_recorded
    FROM days d JOIN runs r ON r.visit_date = d.visit_date AND r.team_code IS NOT DISTINCT FROM d.team_code
        AND r.staff_code IS NOT DISTINCT FROM d.staff_code
)
SELECT 'cycle' AS kind, visit_date AS on_date, item, method, location, NULL AS team_code, staff_code, minutes, temperature_c,
    CASE WHEN method <> 'solution' THEN t.steam_minutes END AS set_minutes,
    CASE WHEN method <> 'solution' THEN t.steam_celsius END AS set_celsius,
    NULL::BIGINT AS groups, NULL::BIGINT AS most_groups, NULL::BIGINT AS disinfections,
    NULL::BIGINT AS changes, NULL::BIGINT AS not_between,
    CASE WHEN method = 'solution' THEN 'recorded' WHEN minutes < t.steam_minutes THEN 'too short'
        WHEN temperature_c < t.steam_celsius THEN 'too cool' WHEN minutes IS NULL OR temperature_c IS NULL THEN 'not told'
        ELSE 'held' END AS state, instance_id
FROM timed, work.settings t
UNION ALL
SELECT 'blades', visit_date, NULL, NULL, NULL, team_code, staff_code, NULL, NULL, NULL, NULL, groups, most_groups,
    disinfections, changes, not_between, CASE WHEN NOT has_recorded THEN 'none recorded'
        WHEN t.at_change_of_cultivar AND not_between > 0 THEN 'not between cultivars'
        WHEN most_groups > t.knives_groups THEN 'too many groups'
        WHEN t.at_change_of_cultivar AND changes IS NULL THEN 'not told'
        WHEN t.knives_groups IS NOT NULL AND most_groups IS NULL THEN 'not told'
        ELSE 'held' END, instance_id
FROM blades, work.settings t
ORDER BY on_date, kind DESC, team_code, staff_code, item, instance_id
