-- What is to be done with each group and by when; days_over is negative while there is still time. What is left of a group that
-- once was larger (up to `remainder` plants, with no buds to be read) is cleared out, and nothing else is due for it but to be
-- counted where that is open. A group that was counted to 0 is due for nothing, and one to be counted again for no other
-- count. Trees are despatched for an order (`allotted`), and late when that is: of a group in as many tasks as there are
-- orders that it serves, `trees` of it each. Trees of age that no order wants are no task.
WITH standing AS (
    SELECT * FROM work.standing
    WHERE stage <> 'gone' AND group_code NOT IN (SELECT group_code FROM work.remainders)
),
unread AS (
    SELECT u.group_code, min(u.budded_on) AS budded_on
    FROM work.unread_lots u JOIN standing USING (group_code) GROUP BY u.group_code
),
read AS (
    SELECT group_code, max(read_on) AS read_on FROM work.lots WHERE green > 0 GROUP BY group_code
),
tasks AS (
    SELECT u.group_code, 'bud_take' AS task, u.budded_on + t.bud_take AS due_on, NULL::VARCHAR AS order_ref,
        NULL::BIGINT AS trees
    FROM unread u JOIN standing USING (group_code), work.settings t
    UNION ALL
    SELECT s.group_code, 'cut_back', r.read_on + t.cut_back, NULL, NULL
    FROM standing s JOIN read r USING (group_code), work.settings t WHERE s.stage = 'read'
    UNION ALL
    SELECT s.group_code, 'stake', r.reached_on + t.stake, NULL, NULL
    FROM standing s JOIN work.stages r USING (group_code), work.settings t WHERE s.stage = 'cut_back'
    UNION ALL
    SELECT s.group_code, 'top', (o.sow_date + to_months(t.top_months))::DATE, NULL, NULL
    FROM standing s JOIN work.origins o USING (group_code), work.settings t WHERE s.stage = 'staked'
    UNION ALL
    SELECT group_code, 'despatch', CASE WHEN of_age_on <= d.as_of THEN wanted_on ELSE greatest(wanted_on, of_age_on) END,
        order_ref, trees
    FROM work.allotted, work.day d
    UNION ALL
    SELECT group_code, 'stock_count', coalesce(last_count_on, opened_on) + t.stock_count, NULL, NULL
    FROM standing, work.settings t WHERE state = 'ok'
    UNION ALL
    SELECT group_code, 'clear_out', d.as_of, NULL, NULL FROM work.remainders, work.day d WHERE state = 'ok'
    UNION ALL
    SELECT group_code, 'recount', d.as_of, NULL, NULL FROM work.standing, work.day d
    WHERE state <> 'ok' AND NOT (stage = 'gone' AND coalesce(last_count = 0, false))
)
SELECT t.group_code, t.task, t.due_on, (SELECT as_of FROM work.day) - t.due_on AS days_over, s.location, s.estimate,
    t.order_ref, t.trees
FROM tasks t JOIN work.standing s USING (group_code)
WHERE t.due_on IS NOT NULL
