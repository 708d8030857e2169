-- What stood in each group at the end of each month that is over, as it is believed now, and the stage that it was at. Between
-- two nodes of its chain what stands is taken to move away from the book evenly; after the last one, to what stands now.
-- `doubt` is the square of the width (95 %) of what stood: that of the more doubtful of the two nodes, and, of what went
-- between them, that it is not known when. `at_risk` stood at the beginning of the month or came in during it, by the opening
-- or a move, less what was sorted out at the opening and what was moved on; `lost` is what was recorded as culled,
-- dead or lost but for that.
WITH sorted AS (
    SELECT DISTINCT group_code, instance_id FROM work.movements WHERE kind = 'opened'
),
changes AS (
    SELECT m.group_code, date_trunc('month', m.on_date)::DATE AS month,
        sum(CASE WHEN m.kind IN ('opened', 'moved_in') THEN m.quantity
            WHEN m.kind = 'moved_out' OR (m.kind = 'culled' AND s.instance_id IS NOT NULL) THEN -m.quantity END) AS entered,
        sum(m.quantity) FILTER (WHERE m.kind IN ('died', 'lost') OR (m.kind = 'culled' AND s.instance_id IS NULL)) AS lost
    FROM work.movements m LEFT JOIN sorted s USING (group_code, instance_id)
    GROUP BY ALL
),
booked AS (
    SELECT group_code, on_date, arg_max(book_after, (ended, instance_id)) AS book FROM work.flows GROUP BY ALL
),
begun AS (
    SELECT group_code, min(on_date) AS on_date FROM booked GROUP BY ALL
),
anchors AS (
    SELECT n.group_code, n.on_date, n.position, (b.stands - n.book)::BIGINT AS apart,
        ((b.stands_high - b.stands_low) ** 2)::BIGINT AS doubt
    FROM work.chain_nodes n JOIN work.chain_beliefs b USING (group_code, position)
    UNION ALL
    SELECT g.group_code, g.on_date, -1, (coalesce(min(b.opening), k.opened_with) - k.opened_with)::BIGINT, 0
    FROM begun g JOIN work.books k USING (group_code) LEFT JOIN work.chain_beliefs b USING (group_code)
    GROUP BY g.group_code, g.on_date, k.opened_with
    UNION ALL
    SELECT n.group_code, d.as_of, 1000000000, (round(n.mean) - k.book_count)::BIGINT, round(15.366 * n.variance)::BIGINT
    FROM work.stands_now n JOIN work.books k USING (group_code), work.day d
),
spans AS (
    SELECT group_code, on_date AS from_on, apart, doubt, lead(on_date) OVER own AS until_on,
        coalesce(lead(apart) OVER own, apart) AS next_apart, coalesce(lead(doubt) OVER own, doubt) AS next_doubt
    FROM (SELECT * FROM anchors QUALIFY row_number() OVER (PARTITION BY group_code, on_date ORDER BY position DESC) = 1)
    WINDOW own AS (PARTITION BY group_code ORDER BY on_date)
),
months AS (
    SELECT b.group_code, m.month::DATE AS month, (m.month + INTERVAL 1 MONTH)::DATE - 1 AS on_date
    FROM begun b, work.month w,
        LATERAL (SELECT unnest(generate_series(date_trunc('month', b.on_date), w.begins_on - INTERVAL 1 MONTH,
            INTERVAL 1 MONTH)) AS month) m
),
between AS (
    SELECT m.group_code, m.month, m.on_date, s.apart, s.doubt, s.next_apart, s.next_doubt,
        coalesce((m.on_date - s.from_on) / nullif(s.until_on - s.from_on, 0), 0) AS part
    FROM months m ASOF JOIN spans s ON s.group_code = m.group_code AND s.from_on <= m.on_date
),
levels AS (
    SELECT m.group_code, m.month, m.on_date,
        greatest(0, b.book + m.apart + round((m.next_apart - m.apart) * m.part))::BIGINT AS plants,
        (greatest(m.doubt, m.next_doubt)
            + round(15.366 * (m.next_apart - m.apart) ** 2 * m.part * (1 - m.part)))::BIGINT AS doubt
    FROM between m ASOF JOIN booked b ON b.group_code = m.group_code AND b.on_date <= m.on_date
),
reached AS (
    SELECT l.group_code, l.month, greatest(any_value(i.rank), coalesce(max(e.rank), 1)) AS rank
    FROM levels l LEFT JOIN work.inherited i USING (group_code)
    LEFT JOIN work.stage_events e ON e.group_code = l.group_code AND e.on_date <= l.on_date
    GROUP BY ALL
)
SELECT l.group_code, l.month, ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'][r.rank] AS stage, l.plants,
    CASE WHEN l.plants > 0 THEN l.doubt ELSE 0 END::BIGINT AS doubt,
    (coalesce(lag(l.plants) OVER (PARTITION BY l.group_code ORDER BY l.month), 0) + coalesce(c.entered, 0))::BIGINT AS at_risk,
    coalesce(c.lost, 0)::BIGINT AS lost
FROM levels l JOIN reached r USING (group_code, month) LEFT JOIN changes c USING (group_code, month)
