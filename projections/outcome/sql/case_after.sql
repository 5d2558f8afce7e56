-- Called by outcome.ReadNeighbours: the first operator's operation after one.
SELECT case_code FROM operation WHERE first_operator = $1 AND counts AND (started_at, case_code) > ($2, $3)
ORDER BY started_at, case_code LIMIT 1
