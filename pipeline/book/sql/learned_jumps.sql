-- The recorded movements of those nodes that may not be what the record says.
SELECT j.* FROM work.chain_jumps j SEMI JOIN work.learned_from USING (group_code, position)
