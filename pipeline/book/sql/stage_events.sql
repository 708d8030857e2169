-- The days on which groups reached stages, by completed inspections. Ranks: tray 1 to topped 7.
WITH ranks AS (
    SELECT unnest(['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped']) AS stage,
        unnest([1, 2, 3, 4, 5, 6, 7]) AS rank
)
SELECT a.group_code, a.visit_date AS on_date, a.ended, a.instance_id, a.form_id, a.attempt, r.stage, r.rank
FROM work.accepted a JOIN ranks r USING (stage)
WHERE a.is_complete
