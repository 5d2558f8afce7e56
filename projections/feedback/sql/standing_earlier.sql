-- Called by feedback.earlier: the same from cases that stand as of a position.
SELECT case_code, started_at, operating_seconds, expected_nano
FROM operation
WHERE first_operator = $1 AND counts AND excluded = '' AND (started_at, case_code) < ($2, $3) AND last_position <= $5
ORDER BY started_at DESC, case_code DESC LIMIT $4
