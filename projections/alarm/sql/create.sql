-- Called by projector when it creates a copy of the read model.
-- chart_design: the limits that people set.
CREATE TABLE chart_design (
    code                 text COLLATE "C" PRIMARY KEY,
    first_position       bigint NOT NULL,
    last_position        bigint NOT NULL,
    designed_at          timestamptz NOT NULL,
    department           text COLLATE "C" NOT NULL,
    outcome              text COLLATE "C" NOT NULL,
    kind                 text COLLATE "C" NOT NULL,
    scope                text COLLATE "C" NOT NULL,
    acceptable           bigint NOT NULL,
    unacceptable         bigint NOT NULL,
    threshold            bigint NOT NULL,
    chosen_by            text NOT NULL,
    closes_after         integer NOT NULL,
    risk_model           text NOT NULL,
    risk_model_version   text NOT NULL
);

-- chart_review: what people found about a chart's alarms, and restarts.
CREATE TABLE chart_review (
    chart       text COLLATE "C" NOT NULL,
    ordinal     integer NOT NULL,
    restart     boolean NOT NULL,
    reviewed_at timestamptz NOT NULL,
    department  text COLLATE "C" NOT NULL,
    alarm       text COLLATE "C" NOT NULL,
    finding     text COLLATE "C" NOT NULL,
    action      text NOT NULL,
    reviewed_by text COLLATE "C" NOT NULL,
    PRIMARY KEY (chart, ordinal)
);

-- alarm_handling: who acknowledged a chart's alarms, and to whom they were given.
CREATE TABLE alarm_handling (
    chart      text COLLATE "C" NOT NULL,
    ordinal    integer NOT NULL,
    did        text COLLATE "C" NOT NULL,
    handled_at timestamptz NOT NULL,
    department text COLLATE "C" NOT NULL,
    alarm      text COLLATE "C" NOT NULL,
    note       text NOT NULL,
    owner      text COLLATE "C" NOT NULL,
    due_on     text COLLATE "C" NOT NULL,
    handled_by text COLLATE "C" NOT NULL,
    PRIMARY KEY (chart, ordinal)
);

-- chart: where each surgeon's charts stand.
CREATE TABLE chart (
    chart              text COLLATE "C" PRIMARY KEY,
    surgeon            text COLLATE "C" NOT NULL,
    department         text COLLATE "C" NOT NULL,
    outcome            text COLLATE "C" NOT NULL,
    kind               text COLLATE "C" NOT NULL,
    design             text COLLATE "C" NOT NULL,
    cases              integer NOT NULL,
    events             integer NOT NULL,
    left_out           integer NOT NULL,
    value              bigint NOT NULL,
    threshold          bigint NOT NULL,
    alarms             integer NOT NULL,
    closed             boolean NOT NULL
);

-- alarm: each chart's crossings, one for each stretch between restarts.
CREATE TABLE alarm (
    alarm       text COLLATE "C" PRIMARY KEY,
    chart       text COLLATE "C" NOT NULL,
    ordinal     integer NOT NULL,
    surgeon     text COLLATE "C" NOT NULL,
    department  text COLLATE "C" NOT NULL,
    outcome     text COLLATE "C" NOT NULL,
    kind        text COLLATE "C" NOT NULL,
    case_code   text COLLATE "C" NOT NULL,
    case_number integer NOT NULL,
    crossed_at  timestamptz NOT NULL,
    value       bigint NOT NULL,
    threshold   bigint NOT NULL
);
ALTER TABLE chart_review ENABLE ROW LEVEL SECURITY;
ALTER TABLE chart_review FORCE ROW LEVEL SECURITY;
CREATE POLICY chart_review_read ON chart_review FOR SELECT TO lensledger_reader USING (
    EXISTS (SELECT 1 FROM chart c WHERE c.chart = chart_review.chart));
ALTER TABLE alarm_handling ENABLE ROW LEVEL SECURITY;
ALTER TABLE alarm_handling FORCE ROW LEVEL SECURITY;
CREATE POLICY alarm_handling_read ON alarm_handling FOR SELECT TO lensledger_reader USING (
    EXISTS (SELECT 1 FROM chart c WHERE c.chart = alarm_handling.chart));
ALTER TABLE chart ENABLE ROW LEVEL SECURITY;
ALTER TABLE chart FORCE ROW LEVEL SECURITY;
CREATE POLICY chart_read ON chart FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR surgeon = ANY ((SELECT people_in_view())::text[]));
ALTER TABLE alarm ENABLE ROW LEVEL SECURITY;
ALTER TABLE alarm FORCE ROW LEVEL SECURITY;
CREATE POLICY alarm_read ON alarm FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR surgeon = ANY ((SELECT people_in_view())::text[]));
-- A design for one surgeon is seen by whoever sees that surgeon's charts, one for a
-- group by whoever sees a chart of the department, and one of the department's own
-- charts by those who see its figures.
ALTER TABLE chart_design ENABLE ROW LEVEL SECURITY;
ALTER TABLE chart_design FORCE ROW LEVEL SECURITY;
CREATE POLICY chart_design_read ON chart_design FOR SELECT TO lensledger_reader USING (
    (current_setting('app.role', true) IN ('quality', 'trainer', 'trainee')
        AND (EXISTS (SELECT 1 FROM chart c WHERE c.surgeon = chart_design.scope)
            OR (scope IN ('trainees', 'independent') AND EXISTS (SELECT 1 FROM chart c WHERE c.department = chart_design.department))))
    OR (scope = department AND department IN (SELECT departments_in_view())));
