-- Off-type culls of each nursery by rootstock, of the seedlings lifted.
SELECT rootstock, nursery, sum(groups)::BIGINT AS groups, sum(lifted)::BIGINT AS lifted, sum(off_type)::BIGINT AS off_type
FROM off_type
GROUP BY rootstock, nursery
