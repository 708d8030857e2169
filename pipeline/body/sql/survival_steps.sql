-- Plants of each nursery that came into a step and were lost in it, by its own books.
SELECT "by" AS by_what, level, clock, step, nursery, sum(at_risk)::BIGINT AS at_risk, sum(lost)::BIGINT AS lost
FROM survival
WHERE "by" IN ('all', 'rootstock')
GROUP BY "by", level, clock, step, nursery
