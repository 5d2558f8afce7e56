-- Called by outcome.Rows: cases that a position cuts in two, and that ever named the department.
SELECT case_code FROM operation WHERE first_position <= $1 AND last_position > $1 AND $2 = ANY (departments_seen) ORDER BY case_code
