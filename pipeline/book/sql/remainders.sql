-- What is left of a group that once was larger: up to `remainder` plants, with no buds to be read. It is cleared out.
SELECT s.group_code, s.state
FROM work.standing s JOIN work.books b USING (group_code), work.settings t
WHERE s.stage NOT IN ('gone', 'budded') AND s.estimate <= t.remainder AND b.came > t.remainder
