-- Called by outcome.Rows: cases that a position cuts in two, and that ever named the department: those that do now, and of
-- those that named another too, whichever ever did.
SELECT case_code FROM operation WHERE department = $2 AND first_position <= $1 AND last_position > $1
UNION
SELECT case_code FROM operation WHERE moved AND first_position <= $1 AND last_position > $1 AND $2 = ANY (departments_seen)
ORDER BY case_code
