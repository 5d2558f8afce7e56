-- Called by learning.ReadProgress: how long the operations took that a surgeon began, of those that stand as of a position.
SELECT case_code, operating_seconds FROM operation WHERE first_operator = $1 AND counts AND last_position <= $2
