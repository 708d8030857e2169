-- Codes of budwood batches that a record of cutting names, whose answers can all be used and which nobody withdrew or edited: a
-- batch is known by its record as by the list.
SELECT DISTINCT r.budwood_batch AS code
FROM work.cut_records r JOIN work.current c USING (reading_id)
ANTI JOIN work.withdrawn w USING (instance_id)
ANTI JOIN work.reading_findings f ON f.reading_id = r.reading_id
ANTI JOIN work.current e ON e.deprecated_id = c.instance_id AND e.form_id = c.form_id
WHERE r.budwood_batch IS NOT NULL
