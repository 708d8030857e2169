-- What was done to plants, and what became of them, unit by unit: `take`, the buds of a lot; `survival`, the plants that began
-- a step of a group; `lost`, the plants of a group at risk in a month. What was done is told of a time of fixed length, so
-- that who lives longer has not had more of it for that alone: of a lot the three weeks from the first day of setting, of a
-- step its first 30 days, of a month that month and the one before. It is told of the places where the group stood on a day
-- of that time, and of those that they are part of. A column is empty where nothing of its kind was recorded yet in the
-- nursery (or, of blades, of the group), or where there are no buds yet. Units of one cell are alike in what they are;
-- those of one root share what befell them.
WITH first_set AS (
    SELECT group_code, team_code, attempt, min(visit_date) AS first_on FROM work.accepted WHERE sets_buds GROUP BY ALL
),
begun AS (
    SELECT group_code, 'transplanted' AS step, 1 AS rank, opened_on AS begun_on FROM work.openings
    UNION ALL
    SELECT group_code, ['', 'bagged', '', 'read', 'cut_back', 'staked', 'topped'][rank], rank, min(on_date)
    FROM work.stage_events WHERE rank NOT IN (1, 3) GROUP BY group_code, rank
),
steps AS (
    SELECT step, group_code, sum(began)::BIGINT AS began, sum(through)::BIGINT AS through
    FROM work.step_counts WHERE step <> 'budded' GROUP BY ALL
),
ages AS (
    SELECT f.group_code, min(f.clock_on) AS budded_on, CASE WHEN count(p.budwood_age) = 0 THEN 'not known'
        WHEN count(DISTINCT p.budwood_age) = 1 AND count(p.budwood_age) = count(*) THEN min(p.budwood_age)
        ELSE 'several' END AS age
    FROM work.budded_from f JOIN work.lot_places p ON p.group_code = f.budded_in AND p.attempt = 1
    GROUP BY f.group_code
),
told AS (
    SELECT 'take' AS outcome, l.group_code, l.team_code, concat_ws('+', o.rootstock, l.scion, l.attempt) AS cell,
        f.first_on AS from_on, f.first_on + 21 AS until_on, l.green + l.brown + l.missing AS at_risk, l.green AS came,
        CASE WHEN p.age IS NULL THEN 'not known' ELSE p.budwood_age END AS budwood_age
    FROM work.lots l JOIN first_set f USING (group_code, team_code, attempt)
    JOIN work.lot_places p USING (group_code, team_code, attempt) LEFT JOIN work.origins o USING (group_code)
    WHERE l.green + l.brown + l.missing > 0
    UNION ALL
    SELECT 'survival', s.group_code, NULL, concat_ws('+', o.rootstock, s.step), b.begun_on, b.begun_on + 30, s.began, s.through,
        CASE WHEN b.rank > 2 THEN a.age END
    FROM steps s JOIN begun b USING (group_code, step) LEFT JOIN work.origins o USING (group_code)
    LEFT JOIN ages a USING (group_code)
    WHERE s.through BETWEEN 0 AND s.began
    UNION ALL
    SELECT 'lost', m.group_code, NULL, concat_ws('+', o.rootstock, m.stage), (m.month - INTERVAL 1 MONTH)::DATE,
        (m.month + INTERVAL 1 MONTH)::DATE - 1, m.at_risk, least(m.lost, m.at_risk),
        CASE WHEN a.budded_on < m.month THEN a.age END
    FROM work.month_levels m LEFT JOIN work.origins o USING (group_code) LEFT JOIN ages a USING (group_code)
    WHERE m.at_risk > 0
),
units AS (
    SELECT row_number() OVER (ORDER BY t.outcome, t.group_code, t.team_code, t.cell, t.from_on) AS unit, t.*,
        coalesce(l.root, t.group_code) AS root
    FROM told t LEFT JOIN work.lineage l USING (group_code)
),
-- where the units stood; many share a place and a time, which are looked up once
stood AS (
    SELECT DISTINCT u.unit, p.location, greatest(u.from_on, p.from_on) AS from_on,
        least(u.until_on, coalesce(p.until_on, u.until_on)) AS until_on
    FROM units u JOIN work.placings p ON p.group_code = u.group_code AND p.from_on <= u.until_on
        AND coalesce(p.until_on, u.until_on) >= u.from_on
),
spans AS (
    SELECT DISTINCT location, from_on, until_on FROM stood
),
read_at AS (
    SELECT location, read_on, form_id = 'feeding' AS is_feeding, count(*) AS readings,
        count(*) FILTER (state IN ('below', 'above')) AS outside
    FROM work.climate
    WHERE state <> 'no limits' AND (form_id = 'feeding' OR regexp_matches(what, '^(temperature|humidity|light)'))
    GROUP BY ALL
),
seen AS (
    SELECT s.location, s.from_on, s.until_on, sum(r.readings) FILTER (NOT r.is_feeding) AS climate,
        sum(r.outside) FILTER (NOT r.is_feeding) AS climate_out, sum(r.readings) FILTER (r.is_feeding) AS feeding,
        sum(r.outside) FILTER (r.is_feeding) AS feeding_out
    FROM spans s JOIN work.place_ways w USING (location)
    JOIN read_at r ON r.location = w.held_by AND r.read_on BETWEEN s.from_on AND s.until_on
    GROUP BY ALL
),
applied AS (
    SELECT s.location, s.from_on, s.until_on, t.instance_id
    FROM spans s JOIN work.place_ways w USING (location)
    JOIN work.treatments t ON t.location = w.held_by AND t.on_date BETWEEN s.from_on AND s.until_on
    WHERE t.state = 'accepted'
),
readings AS (
    SELECT s.unit, sum(climate) AS climate, sum(climate_out) AS climate_out, sum(feeding) AS feeding,
        sum(feeding_out) AS feeding_out
    FROM stood s JOIN seen USING (location, from_on, until_on) GROUP BY s.unit
),
treated AS (
    SELECT s.unit, count(DISTINCT a.instance_id) AS treatments
    FROM stood s JOIN applied a USING (location, from_on, until_on) GROUP BY s.unit
),
clean AS (
    SELECT u.unit, CASE WHEN bool_or(b.state IN ('not between cultivars', 'too many groups')) THEN 'not held'
        WHEN bool_and(b.state = 'held') THEN 'held' ELSE 'not told' END AS hygiene
    FROM units u JOIN work.blade_works b ON b.group_code = u.group_code AND b.visit_date BETWEEN u.from_on AND u.until_on
        AND (u.team_code IS NULL OR u.team_code = b.team_code)
    GROUP BY u.unit
),
since AS (
    SELECT (SELECT min(on_date) FROM work.treatments WHERE state = 'accepted') AS treated,
        (SELECT min(read_on) FROM read_at WHERE NOT is_feeding) AS climate,
        (SELECT min(read_on) FROM read_at WHERE is_feeding) AS fed
)
SELECT u.outcome, u.group_code, u.root, u.cell, u.from_on, u.until_on, u.at_risk, u.came, u.budwood_age, c.hygiene,
    CASE WHEN t.treatments = 1 THEN 'once' WHEN t.treatments > 1 THEN 'more than once'
        WHEN f.treated <= u.from_on THEN 'none recorded' END AS treatment,
    CASE WHEN r.climate IS NULL THEN CASE WHEN f.climate <= u.from_on THEN 'no reading' END
        WHEN r.climate_out = 0 THEN 'within' WHEN 10 * r.climate_out < r.climate THEN 'seldom outside'
        ELSE 'often outside' END AS climate,
    CASE WHEN r.feeding IS NULL THEN CASE WHEN f.fed <= u.from_on THEN 'no reading' END
        WHEN r.feeding_out = 0 THEN 'within' WHEN 10 * r.feeding_out < r.feeding THEN 'seldom outside'
        ELSE 'often outside' END AS feeding
FROM units u CROSS JOIN since f LEFT JOIN readings r USING (unit) LEFT JOIN treated t USING (unit)
LEFT JOIN clean c USING (unit)
ORDER BY u.unit
