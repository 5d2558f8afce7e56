-- Called by department.sumsOfMany: some departments' sums of some quantities over the
-- whole months $2 to $3, of which the quarters from $4 to before $5 are read as such.
SELECT department, quantity, sum(total)::bigint AS total FROM (
    SELECT department, quantity, total FROM department_cell
    WHERE department = ANY ($1) AND months = 3 AND month >= $4 AND month < $5
    UNION ALL
    SELECT department, quantity, total FROM department_cell
    WHERE department = ANY ($1) AND months = 1 AND month >= $2 AND month < $4 AND quantity = ANY ($6)
    UNION ALL
    SELECT department, quantity, total FROM department_cell
    WHERE department = ANY ($1) AND months = 1 AND month >= $5 AND month <= $3 AND quantity = ANY ($6)
) AS spans GROUP BY department, quantity
