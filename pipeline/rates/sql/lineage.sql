-- Where the clock of each group begins: the opening of the group its first plants came from, as far back as it takes
-- (`root`). Groups of one root share what befell them, and count as one where it is asked how much groups differ.
WITH RECURSIVE lines AS (
    SELECT o.group_code, o.group_code AS root FROM work.origins o WHERE o.from_group IS NULL
    UNION ALL
    SELECT o.group_code, l.root FROM work.origins o JOIN lines l ON l.group_code = o.from_group
)
SELECT l.group_code, l.root, g.opened_on AS clock_on FROM lines l JOIN work.openings g ON g.group_code = l.root
