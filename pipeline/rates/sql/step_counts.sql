-- For each step towards a tree and each group that is through with it: how many plants began it and how many came through.
-- `transplanted`: after the opening until bagged; `bagged`: until budded; `budded`: buds read of first attempts (by lot);
-- then each stage until the next.
WITH flows AS (
    SELECT f.*, s.scion, s.opened_with, CASE WHEN s.stage = 'gone' THEN 8 ELSE f.group_rank END AS reached,
        sum(f.came - f.lost - f.moved_out - f.despatched) OVER (PARTITION BY f.group_code ORDER BY f.rank
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS carried
    FROM work.stage_flows f
    JOIN work.standing s USING (group_code)
)
SELECT 'transplanted' AS step, group_code, rootstock, scion, opened_with AS began,
    opened_with - greatest(0, lost - (came - opened_with)) AS through
FROM flows WHERE rank = 1 AND reached > 1 AND opened_with > 0 AND came >= opened_with
UNION ALL
SELECT ['', 'bagged', '', 'read', 'cut_back', 'staked', 'topped'][rank], group_code, rootstock, scion,
    coalesce(carried, 0) + came, coalesce(carried, 0) + came - lost
FROM flows WHERE rank IN (2, 4, 5, 6, 7) AND reached > rank AND coalesce(carried, 0) + came > 0
UNION ALL
SELECT 'budded', group_code, rootstock, scion, green + brown + missing, green
FROM work.lots WHERE attempt = 1 AND green + brown + missing > 0
