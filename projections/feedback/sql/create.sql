-- Called by projector when it creates a copy of the read model.
CREATE TABLE teaching_point (
    case_code      text COLLATE "C" NOT NULL,
    part           text COLLATE "C" NOT NULL,
    surgeon        text COLLATE "C" NOT NULL,
    department     text COLLATE "C" NOT NULL,
    started_at     timestamptz NOT NULL,
    noted_at       timestamptz NOT NULL,
    step           text COLLATE "C" NOT NULL,
    teaching_point text COLLATE "C" NOT NULL,
    polarity       text COLLATE "C" NOT NULL,
    consequence    text COLLATE "C" NOT NULL,
    noted_by       text COLLATE "C" NOT NULL,
    recording_offset_ms bigint,
    PRIMARY KEY (case_code, part)
);
CREATE INDEX teaching_point_surgeon ON teaching_point (surgeon, started_at);
ALTER TABLE teaching_point ENABLE ROW LEVEL SECURITY;
ALTER TABLE teaching_point FORCE ROW LEVEL SECURITY;
-- Whether a point came back is read from all of a surgeon's cases or it misleads:
-- the quality officer of the surgeon's department sees those from elsewhere too.
CREATE POLICY teaching_point_read ON teaching_point FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR ARRAY[surgeon, noted_by] && (SELECT people_in_view())
    OR ((SELECT current_setting('app.role', true) = 'quality') AND surgeon IN (SELECT s.surgeon FROM surgeon s)));

CREATE TABLE case_review (
    case_code        text COLLATE "C" NOT NULL,
    part             text COLLATE "C" NOT NULL,
    surgeon          text COLLATE "C" NOT NULL,
    department       text COLLATE "C" NOT NULL,
    started_at       timestamptz NOT NULL,
    reviewed_at      timestamptz NOT NULL,
    trainer          text COLLATE "C" NOT NULL,
    at_this_stage    text COLLATE "C" NOT NULL,
    teaching_points  text[] NOT NULL,
    agreed_action    text NOT NULL,
    supervision_next text COLLATE "C" NOT NULL,
    PRIMARY KEY (case_code, part)
);
CREATE INDEX case_review_surgeon ON case_review (surgeon, started_at);
ALTER TABLE case_review ENABLE ROW LEVEL SECURITY;
ALTER TABLE case_review FORCE ROW LEVEL SECURITY;
CREATE POLICY case_review_read ON case_review FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR ARRAY[surgeon, trainer] && (SELECT people_in_view())
    OR ((SELECT current_setting('app.role', true) = 'quality') AND surgeon IN (SELECT s.surgeon FROM surgeon s)));

-- record_question: what operators say is wrong in a case's record, and the answer.
CREATE TABLE record_question (
    case_code    text COLLATE "C" NOT NULL,
    number       text COLLATE "C" NOT NULL,
    source       text COLLATE "C" NOT NULL,
    question     text COLLATE "C" NOT NULL,
    surgeon      text COLLATE "C" NOT NULL,
    department   text COLLATE "C" NOT NULL,
    asked_at     timestamptz NOT NULL,
    about        text COLLATE "C" NOT NULL,
    words        text NOT NULL,
    answers      integer NOT NULL,
    answered_at  timestamptz,
    answer       text COLLATE "C" NOT NULL,
    answer_words text NOT NULL,
    answered_by  text COLLATE "C" NOT NULL,
    PRIMARY KEY (case_code, number)
);
CREATE INDEX record_question_surgeon ON record_question (surgeon);
CREATE INDEX record_question_department ON record_question (department);
CREATE INDEX record_question_id ON record_question (question);
ALTER TABLE record_question ENABLE ROW LEVEL SECURITY;
ALTER TABLE record_question FORCE ROW LEVEL SECURITY;
CREATE POLICY record_question_read ON record_question FOR SELECT TO lensledger_reader USING (
    department IN (SELECT departments_in_view()) OR surgeon = ANY ((SELECT people_in_view())::text[]));
