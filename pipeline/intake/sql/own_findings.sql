-- What submissions give by themselves: what reading them found, answers that are in no list, and how they came.
-- An answer that is in no list is said once, and not where the answer is wrong in another way.
WITH unlisted AS (
    SELECT c.instance_id, 'not_in_list' AS rule, u.field, u.value, u.list_name AS detail
    FROM work.unlisted u JOIN work.current c USING (reading_id)
    WHERE NOT EXISTS (SELECT 1 FROM work.reading_findings f WHERE f.reading_id = u.reading_id AND f.field = u.field)
        AND NOT (u.list_name = 'budwood_batches' AND u.value IN (SELECT code FROM work.cut_codes))
)
SELECT c.instance_id, f.rule, f.field, f.value, f.detail FROM work.reading_findings f JOIN work.current c USING (reading_id)
UNION
SELECT * FROM unlisted
UNION
SELECT c.instance_id, 'no_identity', '', '', '' FROM work.current c JOIN work.forms f USING (form_id)
WHERE starts_with(c.instance_id, 'row:') AND NOT regexp_matches(c.source, ', (row|item|line) [0-9]+$')
