-- Called by projector when it creates a copy of the read model.
-- department_cell: sums by department and month, so that any run of months is a sum.
CREATE TABLE department_cell (
    department text COLLATE "C" NOT NULL,
    month      date NOT NULL,
    quantity   text COLLATE "C" NOT NULL,
    total      bigint NOT NULL,
    PRIMARY KEY (department, month, quantity)
);
ALTER TABLE department_cell ENABLE ROW LEVEL SECURITY;
ALTER TABLE department_cell FORCE ROW LEVEL SECURITY;
CREATE POLICY department_cell_read ON department_cell FOR SELECT TO lensledger_reader USING (
    current_setting('app.role', true) IN ('quality', 'figures') AND is_own_department(department));
