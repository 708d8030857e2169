-- Each group of each despatch paper: the trees that stand on the paper (`planned`, empty for a group that is not on it), and
-- those recorded since (`recorded`, empty where nothing is), with the last submission that says so. A despatch belongs to the
-- paper of its order that was printed last on or before its day and did not know of it yet: what was in the books when a paper
-- was printed, and what that is edited to, belongs to the paper before.
WITH RECURSIVE known AS (
    SELECT number, instance_id FROM work.paper_known
    UNION
    SELECT k.number, s.superseded_by FROM known k JOIN work.states s USING (instance_id) WHERE s.superseded_by IS NOT NULL
),
sent AS (
    SELECT p.number, d.group_code, d.instance_id, d.on_date, d.ended, d.quantity
    FROM work.deliveries d JOIN work.papers p ON p.order_ref = d.order_ref AND p.printed_on <= d.on_date
    ANTI JOIN known k ON k.number = p.number AND k.instance_id = d.instance_id
    QUALIFY row_number() OVER (PARTITION BY d.instance_id, d.group_code ORDER BY p.printed_on DESC, p.number DESC) = 1
),
gone AS (
    SELECT number, group_code, sum(quantity)::BIGINT AS recorded,
        max_by(instance_id, (on_date, ended, instance_id)) AS instance_id
    FROM sent GROUP BY number, group_code
)
SELECT p.order_ref, number, p.printed_on, p.position, p.replaced_by, group_code, l.trees AS planned, g.recorded, g.instance_id
FROM work.paper_lines l FULL JOIN gone g USING (number, group_code) JOIN work.papers p USING (number)
ORDER BY number, group_code
