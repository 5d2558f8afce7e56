-- Called by projector when it creates a copy of the read model.
-- department_cell: sums by department over spans of one month, so that any run of
-- months is a sum; what figures are made of over quarters too, so that a year of many
-- departments is a short one.
CREATE TABLE department_cell (
    department text COLLATE "C" NOT NULL,
    months     smallint NOT NULL, -- 1, or 3: a calendar quarter
    month      date NOT NULL,     -- first day of the span
    quantity   text COLLATE "C" NOT NULL,
    total      bigint NOT NULL,
    PRIMARY KEY (department, months, month, quantity)
);
ALTER TABLE department_cell ENABLE ROW LEVEL SECURITY;
ALTER TABLE department_cell FORCE ROW LEVEL SECURITY;
CREATE POLICY department_cell_read ON department_cell FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()));
