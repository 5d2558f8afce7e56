-- Called by department.sums: a department's sums over whole months.
SELECT quantity, sum(total)::bigint AS total FROM department_cell
WHERE department = $1 AND months = 1 AND month BETWEEN $2 AND $3 GROUP BY quantity ORDER BY quantity
