-- Called by learning.ReadLogbook: operations that a surgeon began and that stay out of the benchmarks, of those that stand as of a position.
SELECT case_code FROM operation WHERE first_operator = $1 AND counts AND excluded <> '' AND last_position <= $2 ORDER BY case_code
