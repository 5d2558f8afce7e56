-- Called by projector.writeCells: a sum that came to nothing is no row.
DELETE FROM department_cell c USING unnest($1::text[], $2::smallint[], $3::date[], $4::text[]) AS k (department, months, month, quantity)
WHERE c.department = k.department AND c.months = k.months AND c.month = k.month AND c.quantity = k.quantity AND c.total = 0
