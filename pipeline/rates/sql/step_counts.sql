-- For each step towards a tree and each group: how many of its plants that are through with it began it, how many came
-- through, and how many of the others vanished without a record, with the doubt of that. `transplanted`: from the opening,
-- after its culls, until the next stage; `bagged`: from bagging; `budded`: buds read of first attempts (by lot); then from
-- each stage to the next. What went between budding and reading, beside what the reading says, is told with `read`. What
-- shares a root shares its fate: a group and those split off it, or a lot.
WITH done AS (
    SELECT *, passed + lost + vanished - told AS began, lost - told AS seen FROM work.stage_plants
),
budded AS (
    SELECT b.group_code, b.root, b.rootstock, b.passed, b.seen, b.vanished, b.began, r.began AS on_began, r.still, b.doubt
    FROM (SELECT * FROM done WHERE rank = 3) b LEFT JOIN (SELECT * FROM done WHERE rank = 4) r USING (group_code)
),
-- of a group that is partly through, the part of what went before the reading that is of those through
reading AS (
    SELECT group_code, root, rootstock, 0 AS began, 0 AS through,
        ((seen + vanished) * coalesce(on_began, began) // greatest(1, coalesce(on_began + still, began)))::BIGINT AS before,
        (vanished * coalesce(on_began, began) // greatest(1, coalesce(on_began + still, began)))::BIGINT AS vanished, doubt
    FROM budded
),
steps AS (
    SELECT ['transplanted', 'bagged', '', 'read', 'cut_back', 'staked', 'topped'][rank] AS step, group_code, root, rootstock,
        began, passed AS through, vanished, doubt
    FROM done WHERE rank <> 3
    UNION ALL
    SELECT 'read', group_code, root, rootstock, before, 0, vanished, doubt FROM reading
    UNION ALL
    -- buds that nobody read
    SELECT 'read', group_code, root, rootstock, passed, passed, 0, 0 FROM budded WHERE on_began IS NULL
),
scions AS (
    SELECT group_code, CASE WHEN count(DISTINCT scion) = 1 THEN min(scion) END AS scion FROM work.lots GROUP BY group_code
)
SELECT t.step, t.group_code, t.root, t.rootstock, s.scion, sum(t.began)::BIGINT AS began, sum(t.through)::BIGINT AS through,
    sum(t.vanished)::BIGINT AS vanished, sum(t.doubt)::BIGINT AS doubt
FROM steps t LEFT JOIN scions s USING (group_code)
GROUP BY t.step, t.group_code, t.root, t.rootstock, s.scion
HAVING sum(t.began) > 0
UNION ALL
SELECT 'budded', group_code, group_code || ' ' || team_code, rootstock, scion, green + brown + missing, green, 0, 0
FROM work.lots WHERE attempt = 1 AND green + brown + missing > 0
