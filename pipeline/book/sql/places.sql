-- Where each group stands: the last place that it was given or came with.
SELECT o.group_code, p.location
FROM work.origins o LEFT JOIN work.placings p ON p.group_code = o.group_code AND p.until_on IS NULL
