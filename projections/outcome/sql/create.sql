-- Called by projector when it creates a copy of the read model.
CREATE TABLE operation (
    case_code              text COLLATE "C" PRIMARY KEY,
    merged_into            text COLLATE "C" NOT NULL,
    first_position         bigint NOT NULL,
    last_position          bigint NOT NULL,
    departments_seen       text[] NOT NULL,
    surgeons_seen          text[] NOT NULL,
    department             text COLLATE "C" NOT NULL,
    people                 text[] NOT NULL,
    patient                text COLLATE "C" NOT NULL,
    eye                    text COLLATE "C" NOT NULL,
    counts                 boolean NOT NULL,
    excluded               text COLLATE "C" NOT NULL,
    outcome_known          boolean NOT NULL,
    operated_on            date,
    started_at             timestamptz,
    operating_seconds      bigint,
    responsible_consultant text COLLATE "C" NOT NULL,
    first_operator         text COLLATE "C" NOT NULL,
    supervision            text COLLATE "C" NOT NULL,
    rupture                boolean NOT NULL,
    rupture_step           text COLLATE "C" NOT NULL,
    rupture_vitreous       text COLLATE "C" NOT NULL,
    rupture_cause          text COLLATE "C" NOT NULL,
    taken_over             boolean,
    odds_ratio_millionths  bigint NOT NULL,
    expected_nano          bigint NOT NULL,
    expected_later_nano    bigint,
    unknown_factors        text[] NOT NULL,
    conflicts              integer NOT NULL,
    retracted              integer NOT NULL,
    flags                  jsonb NOT NULL
);
CREATE INDEX operation_month ON operation (department, operated_on);
CREATE INDEX operation_last ON operation (last_position);
CREATE INDEX operation_first_operator ON operation (first_operator, started_at);

ALTER TABLE operation ENABLE ROW LEVEL SECURITY;
ALTER TABLE operation FORCE ROW LEVEL SECURITY;
CREATE POLICY operation_read ON operation FOR SELECT TO lensledger_reader USING (sees(department, people)
    -- A sum as of an earlier position also needs cases that belong elsewhere since.
    OR (current_setting('app.role', true) = 'figures'
        AND departments_seen && string_to_array(current_setting('app.departments', true), ',')));
