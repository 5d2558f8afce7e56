-- Called by projector.writeCells: adds differences to the department's sums, and gives those that came to nothing.
WITH added AS (
    INSERT INTO department_cell AS c (department, months, month, quantity, total)
    SELECT * FROM unnest($1::text[], $2::smallint[], $3::date[], $4::text[], $5::bigint[])
    ON CONFLICT (department, months, month, quantity) DO UPDATE SET total = c.total + excluded.total
    RETURNING department, months, month, quantity, total
)
SELECT department, months, month, quantity FROM added WHERE total = 0
