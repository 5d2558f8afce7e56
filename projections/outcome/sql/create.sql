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
    flags                  jsonb NOT NULL,
    awaited_on             date,
    -- A column, so that Postgres knows how few they are.
    moved                  boolean NOT NULL GENERATED ALWAYS AS (departments_seen <> ARRAY[department] COLLATE "C") STORED
);
CREATE INDEX operation_month ON operation (department, operated_on);
CREATE INDEX operation_awaited ON operation (department, awaited_on) WHERE awaited_on IS NOT NULL;
CREATE INDEX operation_last ON operation (last_position);
-- Of the few cases that ever had another department, those that a position cuts in two:
-- the others are found by their department. No policy lets an index on departments_seen
-- itself be used, for the comparison of arrays isn't leakproof.
CREATE INDEX operation_moved ON operation (last_position) WHERE moved;
CREATE INDEX operation_first_operator ON operation (first_operator, started_at);

ALTER TABLE operation ENABLE ROW LEVEL SECURITY;
ALTER TABLE operation FORCE ROW LEVEL SECURITY;
CREATE POLICY operation_read ON operation FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR people && (SELECT people_in_view())
    -- A sum as of an earlier position also needs cases that belong elsewhere since.
    OR (SELECT current_setting('app.role', true) = 'figures')
        AND departments_seen && (SELECT string_to_array(current_setting('app.departments', true), ',')));

-- eye_outcome: what each operation that counts came to in the weeks after it.
CREATE TABLE eye_outcome (
    case_code                 text COLLATE "C" PRIMARY KEY,
    first_position            bigint NOT NULL,
    last_position             bigint NOT NULL,
    departments_seen          text[] NOT NULL,
    surgeons_seen             text[] NOT NULL,
    department                text COLLATE "C" NOT NULL,
    people                    text[] NOT NULL,
    patient                   text COLLATE "C" NOT NULL,
    eye                       text COLLATE "C" NOT NULL,
    operated_on               date NOT NULL,
    second_eye                boolean,
    copathology               boolean,
    before_on                 date,
    before_hundredths         bigint,
    before_low_vision         text COLLATE "C" NOT NULL,
    before_convention         text COLLATE "C" NOT NULL,
    before_correction         text COLLATE "C" NOT NULL,
    after_on                  date,
    after_hundredths          bigint,
    after_low_vision          text COLLATE "C" NOT NULL,
    after_convention          text COLLATE "C" NOT NULL,
    after_correction          text COLLATE "C" NOT NULL,
    after_unaided_hundredths  bigint,
    after_unaided_low_vision  text COLLATE "C" NOT NULL,
    visual_loss               boolean,
    vision_reason             text COLLATE "C" NOT NULL,
    lens_model                text COLLATE "C" NOT NULL,
    lens_site                 text COLLATE "C" NOT NULL,
    formula                   text COLLATE "C" NOT NULL,
    biometer                  text COLLATE "C" NOT NULL,
    constant_millionths       bigint,
    power_hundredths          bigint,
    predicted_hundredths      bigint,
    target_hundredths         bigint,
    refraction_on             date,
    achieved_thousandths      bigint,
    error_thousandths         bigint,
    target_error_thousandths  bigint,
    refraction_reason         text COLLATE "C" NOT NULL,
    target_reason             text COLLATE "C" NOT NULL,
    uncomplicated_in_bag      boolean NOT NULL,
    axial_length_um           bigint,
    mean_k_thousandths        bigint,
    sia_x_micro               bigint,
    sia_y_micro               bigint,
    sia_early_x_micro         bigint,
    sia_early_y_micro         bigint,
    sia_reason                text COLLATE "C" NOT NULL,
    incision_meridian_deg     bigint,
    complications             text[] NOT NULL,
    findings                  text[] NOT NULL,
    returned                  boolean NOT NULL,
    unplanned_attendance      boolean NOT NULL,
    endophthalmitis_on        date,
    endophthalmitis_certainty text COLLATE "C" NOT NULL,
    followup_closed           text COLLATE "C" NOT NULL
);
CREATE INDEX eye_outcome_month ON eye_outcome (department, operated_on);
CREATE INDEX eye_outcome_patient ON eye_outcome (patient);
CREATE INDEX eye_outcome_endophthalmitis ON eye_outcome (department, operated_on) WHERE endophthalmitis_on IS NOT NULL;

ALTER TABLE eye_outcome ENABLE ROW LEVEL SECURITY;
ALTER TABLE eye_outcome FORCE ROW LEVEL SECURITY;
CREATE POLICY eye_outcome_read ON eye_outcome FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR people && (SELECT people_in_view())
    OR (SELECT current_setting('app.role', true) = 'figures')
        AND departments_seen && (SELECT string_to_array(current_setting('app.departments', true), ',')));
