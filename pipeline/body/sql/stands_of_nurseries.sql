-- What stands in each nursery, and how many submissions it rests on.
WITH sent AS (
    SELECT nursery, count(*)::BIGINT AS submissions, count(CASE WHEN state = 'accepted' THEN 1 END)::BIGINT AS accepted,
        min(CASE WHEN state = 'accepted' THEN visit_date END) AS first_on,
        max(CASE WHEN state = 'accepted' THEN visit_date END) AS last_on
    FROM submissions GROUP BY nursery
),
stands AS (
    SELECT nursery, sum(groups)::BIGINT AS groups, sum(plants)::BIGINT AS plants,
        sum(low)::BIGINT AS low, sum(high)::BIGINT AS high
    FROM standing_sums WHERE "by" = 'all' GROUP BY nursery
),
of_teams AS (
    SELECT nursery, count(*)::BIGINT AS teams, count(CASE WHEN flag IN ('better', 'worse') THEN 1 END)::BIGINT AS flagged
    FROM teams GROUP BY nursery
),
files AS (
    SELECT nursery, count(*)::BIGINT AS files_not_read
    FROM problems WHERE rule IN ('unreadable_file', 'refused_file', 'passed_over', 'not_taken') GROUP BY nursery
)
SELECT sent.nursery AS nursery, submissions, accepted, first_on, last_on, coalesce(groups, 0)::BIGINT AS groups,
    coalesce(plants, 0)::BIGINT AS plants, coalesce(low, 0)::BIGINT AS low, coalesce(high, 0)::BIGINT AS high,
    coalesce(teams, 0)::BIGINT AS teams, coalesce(flagged, 0)::BIGINT AS flagged,
    coalesce(files_not_read, 0)::BIGINT AS files_not_read
FROM sent LEFT JOIN stands ON stands.nursery = sent.nursery LEFT JOIN of_teams ON of_teams.nursery = sent.nursery
LEFT JOIN files ON files.nursery = sent.nursery
