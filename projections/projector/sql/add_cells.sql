-- Called by projector.writeCells: adds differences to the department's sums, and gives those that came to nothing.
WITH added AS (
    INSERT INTO department_cell AS c (department, month, quantity, total)
    SELECT * FROM unnest($1::text[], $2::date[], $3::text[], $4::bigint[])
    ON CONFLICT (department, month, quantity) DO UPDATE SET total = c.total + excluded.total
    RETURNING department, month, quantity, total
)
SELECT department, month, quantity FROM added WHERE total = 0
