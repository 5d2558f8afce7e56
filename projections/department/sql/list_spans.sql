-- Called by department.Spans: each department's first and last month.
SELECT department, min(month), max(month) FROM department_cell WHERE months = 1 GROUP BY department ORDER BY department
