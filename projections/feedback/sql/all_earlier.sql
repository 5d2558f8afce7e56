-- Called by feedback.earlier: a first operator's latest operations before a given one, as they are now.
SELECT case_code, started_at, operating_seconds, expected_nano
FROM operation
WHERE first_operator = $1 AND counts AND excluded = '' AND (started_at, case_code) < ($2, $3)
ORDER BY started_at DESC, case_code DESC LIMIT $4
