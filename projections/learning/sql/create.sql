-- Called by projector when it creates a copy of the read model.
CREATE TABLE surgeon (
    surgeon        text COLLATE "C" PRIMARY KEY,
    first_position bigint NOT NULL,
    last_position  bigint NOT NULL,
    enrolled       boolean NOT NULL,
    department     text COLLATE "C" NOT NULL,
    post           text COLLATE "C" NOT NULL,
    trainee        boolean NOT NULL,
    prior_whole    integer NOT NULL,
    prior_part     integer NOT NULL
);
ALTER TABLE surgeon ENABLE ROW LEVEL SECURITY;
ALTER TABLE surgeon FORCE ROW LEVEL SECURITY;
CREATE POLICY surgeon_read ON surgeon FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR surgeon = ANY ((SELECT people_in_view())::text[]));

-- chart_entry: one row for each operator of an operation.
CREATE TABLE chart_entry (
    case_code             text COLLATE "C" NOT NULL,
    surgeon               text COLLATE "C" NOT NULL,
    department            text COLLATE "C" NOT NULL,
    started_at            timestamptz NOT NULL,
    whole                 boolean NOT NULL,
    enters                boolean NOT NULL,
    outcome_known         boolean NOT NULL,
    rupture               boolean NOT NULL,
    taken_over            boolean,
    odds_ratio_millionths bigint NOT NULL,
    PRIMARY KEY (case_code, surgeon)
);
CREATE INDEX chart_entry_surgeon ON chart_entry (surgeon, started_at, case_code);
ALTER TABLE chart_entry ENABLE ROW LEVEL SECURITY;
ALTER TABLE chart_entry FORCE ROW LEVEL SECURITY;
-- A surgeon's chart is whole or it misleads: the quality officer of the surgeon's
-- department sees the entries from elsewhere too.
CREATE POLICY chart_entry_read ON chart_entry FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR surgeon = ANY ((SELECT people_in_view())::text[])
    OR ((SELECT current_setting('app.role', true) = 'quality') AND surgeon IN (SELECT s.surgeon FROM surgeon s)));

-- step_entry: one row for each operator of an operation whose steps are recorded;
-- the lists have one place for each run of a step.
CREATE TABLE step_entry (
    case_code   text COLLATE "C" NOT NULL,
    surgeon     text COLLATE "C" NOT NULL,
    department  text COLLATE "C" NOT NULL,
    started_at  timestamptz NOT NULL,
    whole       boolean NOT NULL,
    steps       text[] NOT NULL,
    seconds     integer[] NOT NULL,
    supervision text[] NOT NULL,
    failed      boolean[] NOT NULL,
    PRIMARY KEY (case_code, surgeon)
);
CREATE INDEX step_entry_surgeon ON step_entry (surgeon, started_at, case_code);
ALTER TABLE step_entry ENABLE ROW LEVEL SECURITY;
ALTER TABLE step_entry FORCE ROW LEVEL SECURITY;
CREATE POLICY step_entry_read ON step_entry FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR surgeon = ANY ((SELECT people_in_view())::text[])
    OR ((SELECT current_setting('app.role', true) = 'quality') AND surgeon IN (SELECT s.surgeon FROM surgeon s)));

-- peer_band: step times by surgeon and experience, for quartiles over five or more
-- others. The role figures is no person's, and learning.Peers, its only reader,
-- gives no person's row.
CREATE TABLE peer_band (
    surgeon text COLLATE "C" NOT NULL,
    band    text COLLATE "C" NOT NULL,
    steps   text[] NOT NULL,
    counts  integer[] NOT NULL,
    seconds bytea NOT NULL, -- two bytes each, the higher first
    PRIMARY KEY (surgeon, band)
);
CREATE INDEX peer_band_band ON peer_band (band);
ALTER TABLE peer_band ENABLE ROW LEVEL SECURITY;
ALTER TABLE peer_band FORCE ROW LEVEL SECURITY;
CREATE POLICY peer_band_read ON peer_band FOR SELECT TO lensledger_reader USING (current_setting('app.role', true) = 'figures');
