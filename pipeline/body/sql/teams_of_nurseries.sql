-- Each team beside the others of its nursery, as the nursery's own books have it.
SELECT nursery, team_code, lots, read, taken, take_rate, low, high, adjusted, adjusted_low, adjusted_high, q_value, flag
FROM teams
