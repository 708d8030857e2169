-- What plants of each group were at risk of while at a place and in a stage, and what was lost there. `kind` says how they are
-- at risk: `inspection`: of being culled when a stage is reached, all plants that stood before it; `recorded`: of all other
-- losses on record, plant-days until the group was last seen; `not_recorded`: of what the counts show to be gone, plant-days
-- until the last count. A loss is of the place and the stage that the group was in before the submission that has it. What was
-- taken out at an opening is of no place and not here. A day's changes stand from that day on.
WITH ranks AS (
    SELECT unnest(['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped']) AS stage,
        unnest([1, 2, 3, 4, 5, 6, 7]) AS rank
),
begun AS (
    SELECT DISTINCT instance_id FROM work.movements WHERE kind = 'opened'
),
stood AS (
    SELECT group_code, location, from_on, concat(from_on, ' ', from_ended) AS since FROM work.placings
),
first_place AS (
    SELECT group_code, arg_min(location, since) AS location FROM stood GROUP BY group_code
),
-- where a group stood at the end of a day
by_day AS (
    SELECT group_code, from_on, arg_max(location, since) AS location FROM stood GROUP BY ALL
),
reached AS (
    SELECT group_code, since, on_date, max(max(rank)) OVER (PARTITION BY group_code ORDER BY since) AS rank
    FROM (SELECT *, concat(on_date, ' ', ended) AS since FROM work.stage_events) GROUP BY group_code, since, on_date
),
reached_by_day AS (
    SELECT group_code, on_date, max(rank) AS rank FROM reached GROUP BY ALL
),
booked AS (
    SELECT group_code, concat(on_date, ' ', ended) AS since, arg_max(book_after, instance_id) AS book
    FROM work.flows GROUP BY ALL
),
-- what happened at a moment: losses, and stages reached with all that stood before
happened AS (
    SELECT m.group_code, concat(m.on_date, ' ', m.ended) AS at, m.quantity AS lost, 0 AS looked_at,
        CASE WHEN m.kind = 'culled' THEN coalesce(r.rank, 0) ELSE 0 END AS reaches
    FROM work.movements m LEFT JOIN work.accepted a USING (instance_id, group_code) LEFT JOIN ranks r ON r.stage = a.stage
    WHERE m.kind IN ('culled', 'died', 'lost') AND m.instance_id NOT IN (FROM begun)
    UNION ALL
    SELECT e.group_code, concat(e.on_date, ' ', e.ended), 0, greatest(0, b.book), e.rank
    FROM work.stage_events e
    ASOF JOIN booked b ON b.group_code = e.group_code AND b.since < concat(e.on_date, ' ', e.ended)
    WHERE e.instance_id NOT IN (FROM begun)
),
placed AS (
    SELECT h.group_code, h.lost, h.looked_at, h.reaches, coalesce(s.location, f.location) AS location,
        greatest(i.rank, coalesce(r.rank, 1)) AS rank
    FROM happened h JOIN work.inherited i USING (group_code)
    LEFT JOIN first_place f USING (group_code)
    ASOF LEFT JOIN stood s ON s.group_code = h.group_code AND s.since < h.at
    ASOF LEFT JOIN reached r ON r.group_code = h.group_code AND r.since < h.at
),
-- what stood from day to day
changes AS (
    SELECT group_code, on_date, sum(CASE WHEN kind IN ('opened', 'moved_in') THEN quantity ELSE -quantity END) AS net
    FROM work.movements GROUP BY ALL
    UNION ALL
    SELECT group_code, on_date, -quantity FROM work.vanished
    UNION ALL
    SELECT group_code, on_date, moved FROM work.quiet_moves
),
last_seen AS (
    SELECT group_code, max(on_date) AS seen_on
    FROM (SELECT group_code, visit_date AS on_date FROM work.accepted UNION ALL SELECT group_code, on_date FROM work.movements)
    GROUP BY group_code
),
last_counted AS (
    SELECT group_code, max(on_date) AS counted_on FROM work.chain_nodes WHERE kind IN ('count', 'merge') GROUP BY group_code
),
days AS (
    SELECT group_code, on_date, sum(net) AS net, any_value(location) AS location, max(rank) AS rank
    FROM (
        SELECT group_code, on_date, net, NULL AS location, NULL AS rank FROM changes
        UNION ALL
        SELECT group_code, from_on, 0, location, NULL FROM by_day
        UNION ALL
        SELECT group_code, on_date, 0, NULL, rank FROM reached_by_day
        UNION ALL
        SELECT group_code, seen_on, 0, NULL, NULL FROM last_seen
        UNION ALL
        SELECT group_code, counted_on, 0, NULL, NULL FROM last_counted
    )
    GROUP BY ALL
),
pieces AS (
    SELECT group_code, on_date, greatest(0, sum(net) OVER own) AS plants,
        last_value(location IGNORE NULLS) OVER own AS location, max(rank) OVER own AS rank,
        lead(on_date) OVER own - on_date AS days
    FROM days WINDOW own AS (PARTITION BY group_code ORDER BY on_date)
),
lived AS (
    SELECT p.group_code, p.location, greatest(i.rank, coalesce(p.rank, 1)) AS rank, p.on_date, p.plants * p.days AS plant_days
    FROM pieces p JOIN work.inherited i USING (group_code) WHERE p.days IS NOT NULL
),
gone AS (
    SELECT v.group_code, v.quantity, coalesce(b.location, f.location) AS location, greatest(i.rank, coalesce(r.rank, 1)) AS rank
    FROM work.vanished v JOIN work.inherited i USING (group_code)
    LEFT JOIN first_place f USING (group_code)
    ASOF LEFT JOIN by_day b ON b.group_code = v.group_code AND b.from_on <= v.on_date
    ASOF LEFT JOIN reached_by_day r ON r.group_code = v.group_code AND r.on_date < v.on_date
),
all_of_it AS (
    SELECT group_code, location, rank, CASE WHEN reaches > rank THEN 'inspection' ELSE 'recorded' END AS kind,
        CASE WHEN reaches > rank THEN looked_at ELSE 0 END AS exposure, lost
    FROM placed
    UNION ALL
    SELECT group_code, location, rank, 'recorded', plant_days, 0 FROM lived JOIN last_seen USING (group_code)
    WHERE on_date < seen_on
    UNION ALL
    SELECT group_code, location, rank, 'not_recorded', plant_days, 0 FROM lived JOIN last_counted USING (group_code)
    WHERE on_date < counted_on
    UNION ALL
    SELECT group_code, location, rank, 'not_recorded', 0, quantity FROM gone
)
SELECT a.group_code, coalesce(l.root, a.group_code) AS root, o.rootstock, a.location, a.rank, a.kind,
    sum(a.exposure)::BIGINT AS exposure, sum(a.lost)::BIGINT AS lost
FROM all_of_it a LEFT JOIN work.lineage l USING (group_code) LEFT JOIN work.origins o USING (group_code)
GROUP BY ALL HAVING exposure > 0 OR lost > 0
