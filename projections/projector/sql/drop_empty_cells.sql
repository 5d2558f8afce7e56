-- Called by projector.writeCells: a sum that came to nothing is no row.
DELETE FROM department_cell c USING unnest($1::text[], $2::date[], $3::text[]) AS k (department, month, quantity)
WHERE c.department = k.department AND c.month = k.month AND c.quantity = k.quantity AND c.total = 0
