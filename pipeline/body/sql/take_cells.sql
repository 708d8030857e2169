-- Lots of all nurseries as the sums that suffice to compare them: by nursery, month of budding, pair and attempt.
SELECT nursery, date_trunc('month', budded_on)::DATE AS month, rootstock, scion, attempt,
    count(*)::BIGINT AS lots, sum(read)::BIGINT AS read, sum(green)::BIGINT AS taken,
    sum(read * read)::BIGINT AS nn, sum(read * green)::BIGINT AS ny, sum(green * green)::BIGINT AS yy
FROM (SELECT *, green + brown + missing AS read FROM lots)
WHERE read > 0 AND budded_on IS NOT NULL
GROUP BY ALL
