-- +goose Up

-- event_log: the second copy of every event that was accepted or is in conflict.
CREATE TABLE event_log (
    sequence    bigint PRIMARY KEY,
    source      text COLLATE "C" NOT NULL,
    id          text COLLATE "C" NOT NULL,
    hash        bytea NOT NULL,
    wire_hash   bytea NOT NULL,
    type        text COLLATE "C" NOT NULL,
    about       text COLLATE "C" NOT NULL,
    subject     text COLLATE "C" NOT NULL,
    department  text COLLATE "C" NOT NULL,
    recorded_at timestamptz NOT NULL,
    headers     jsonb,
    body        bytea NOT NULL,
    UNIQUE (source, id, hash)
);
CREATE INDEX event_log_subject ON event_log (subject, sequence);
CREATE INDEX event_log_chart ON event_log (subject) WHERE about = 'chart';

-- arrival: exactly one disposition for every position of the stream.
-- recorded_high is the greatest recorded time up to and with the position.
CREATE TABLE arrival (
    sequence      bigint PRIMARY KEY,
    disposition   text COLLATE "C" NOT NULL CHECK (disposition IN ('accepted', 'duplicate', 'conflict', 'quarantined', 'erased')),
    recorded_at   timestamptz NOT NULL,
    recorded_high timestamptz NOT NULL
);
CREATE INDEX arrival_recorded_high ON arrival (recorded_high, sequence);

-- stream_state: how far the projector has come in which stream, and the token
-- that the one projector allowed to write holds.
CREATE TABLE stream_state (
    only_row      boolean PRIMARY KEY DEFAULT true CHECK (only_row),
    epoch         text NOT NULL DEFAULT '',
    fence         bigint NOT NULL DEFAULT 0,
    position      bigint NOT NULL DEFAULT 0,
    recorded_high timestamptz NOT NULL DEFAULT 'epoch'
);
INSERT INTO stream_state DEFAULT VALUES;

-- intake_count: what each source sent and what became of it.
CREATE TABLE intake_count (
    source           text COLLATE "C" NOT NULL,
    department       text COLLATE "C" NOT NULL,
    disposition      text COLLATE "C" NOT NULL,
    events           bigint NOT NULL,
    last_sequence    bigint NOT NULL,
    last_recorded_at timestamptz NOT NULL,
    PRIMARY KEY (source, department, disposition)
);

-- quarantine: what could not be taken, with its bytes and the reason. A replay
-- sends the bytes again as a new message; released_as is that message's position.
CREATE TABLE quarantine (
    sequence    bigint PRIMARY KEY,
    recorded_at timestamptz NOT NULL,
    subject     text NOT NULL,
    source      text COLLATE "C" NOT NULL,
    department  text COLLATE "C" NOT NULL,
    reason      text COLLATE "C" NOT NULL,
    problems    jsonb NOT NULL,
    headers     jsonb,
    body        bytea NOT NULL,
    released_as bigint
);

-- case_link: every join of two case codes ever archived, standing or not.
CREATE TABLE case_link (
    sequence   bigint NOT NULL,
    subject    text COLLATE "C" NOT NULL,
    other_case text COLLATE "C" NOT NULL,
    PRIMARY KEY (subject, other_case, sequence)
);
CREATE INDEX case_link_other ON case_link (other_case);

-- conflict: pairs of archived events with one identity and different content. The
-- two may be about different cases, so a fold needs to be told.
CREATE TABLE conflict (
    sequence      bigint NOT NULL, -- the later one
    with_sequence bigint NOT NULL,
    PRIMARY KEY (sequence, with_sequence)
);
CREATE INDEX conflict_with ON conflict (with_sequence);

-- alarm_notice: alarms that were announced, once each, and the position then.
CREATE TABLE alarm_notice (
    alarm      text COLLATE "C" PRIMARY KEY,
    department text COLLATE "C" NOT NULL,
    surgeon    text COLLATE "C" NOT NULL,
    position   bigint NOT NULL
);

-- Who may see a row of a department about these people. Unset means nothing. The
-- role figures is no person's: the program takes it to sum up a department, after
-- the API has checked that the caller may have the sums.
-- +goose StatementBegin
CREATE FUNCTION sees(department text, people text[]) RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT CASE current_setting('app.role', true)
        WHEN 'quality' THEN department = ANY (string_to_array(current_setting('app.departments', true), ','))
        WHEN 'figures' THEN department = ANY (string_to_array(current_setting('app.departments', true), ','))
        WHEN 'trainer' THEN people && string_to_array(current_setting('app.surgeons', true), ',')
        WHEN 'trainee' THEN people && string_to_array(current_setting('app.surgeons', true), ',')
        ELSE false
    END
$$;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE FUNCTION is_own_department(department text) RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT department = ANY (string_to_array(current_setting('app.departments', true), ','))
$$;
-- +goose StatementEnd
-- These tables belong to a read model that a rebuild replaces: late binding by
-- name keeps the archive free of a dependency on them.
-- +goose StatementBegin
CREATE FUNCTION sees_subject(code text) RETURNS boolean LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN code = ANY (string_to_array(current_setting('app.surgeons', true), ','))
        OR EXISTS (SELECT 1 FROM operation WHERE case_code = sees_subject.code)
        OR EXISTS (SELECT 1 FROM chart WHERE chart.chart = sees_subject.code)
        OR EXISTS (SELECT 1 FROM chart_design d WHERE d.code = sees_subject.code);
END
$$;
-- +goose StatementEnd

ALTER TABLE event_log ENABLE ROW LEVEL SECURITY;
ALTER TABLE event_log FORCE ROW LEVEL SECURITY;
CREATE POLICY event_log_read ON event_log FOR SELECT TO lensledger_reader USING (
    -- A case is folded from all its events or not at all: whoever sees the case
    -- sees those that another department sent.
    CASE current_setting('app.role', true)
        WHEN 'quality' THEN is_own_department(department) OR sees_subject(subject)
        WHEN 'figures' THEN is_own_department(department) OR sees_subject(subject)
        WHEN 'integrator' THEN source = current_setting('app.source', true) AND is_own_department(department)
        WHEN 'trainer' THEN sees_subject(subject)
        WHEN 'trainee' THEN sees_subject(subject)
        ELSE false
    END);

ALTER TABLE quarantine ENABLE ROW LEVEL SECURITY;
ALTER TABLE quarantine FORCE ROW LEVEL SECURITY;
CREATE POLICY quarantine_read ON quarantine FOR SELECT TO lensledger_reader USING (
    CASE current_setting('app.role', true)
        WHEN 'quality' THEN is_own_department(department)
        WHEN 'integrator' THEN source = current_setting('app.source', true) AND is_own_department(department)
        ELSE false
    END);

ALTER TABLE intake_count ENABLE ROW LEVEL SECURITY;
ALTER TABLE intake_count FORCE ROW LEVEL SECURITY;
CREATE POLICY intake_count_read ON intake_count FOR SELECT TO lensledger_reader USING (
    CASE current_setting('app.role', true)
        WHEN 'quality' THEN is_own_department(department)
        WHEN 'integrator' THEN source = current_setting('app.source', true) AND is_own_department(department)
        WHEN 'administrator' THEN true
        ELSE false
    END);

ALTER TABLE case_link ENABLE ROW LEVEL SECURITY;
ALTER TABLE case_link FORCE ROW LEVEL SECURITY;
CREATE POLICY case_link_read ON case_link FOR SELECT TO lensledger_reader USING (
    current_setting('app.role', true) IN ('quality', 'figures', 'trainer', 'trainee') AND sees_subject(subject));

ALTER TABLE alarm_notice ENABLE ROW LEVEL SECURITY;
ALTER TABLE alarm_notice FORCE ROW LEVEL SECURITY;
CREATE POLICY alarm_notice_read ON alarm_notice FOR SELECT TO lensledger_reader USING (sees(department, ARRAY[surgeon]));

-- arrival, conflict and stream_state hold positions and times, no person.
GRANT SELECT ON stream_state, conflict, event_log, arrival, intake_count, quarantine, case_link, alarm_notice TO lensledger_reader;
GRANT SELECT, INSERT, UPDATE, DELETE ON stream_state, conflict, event_log, arrival, intake_count, quarantine, case_link, alarm_notice TO lensledger_writer;

-- +goose Down
DROP TABLE alarm_notice, conflict, case_link, quarantine, intake_count, stream_state, arrival, event_log;
DROP FUNCTION sees_subject(text);
DROP FUNCTION is_own_department(text);
DROP FUNCTION sees(text, text[]);
