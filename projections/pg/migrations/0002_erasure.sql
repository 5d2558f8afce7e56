-- +goose Up

-- erasure: every message of the stream that stands in the place of one that named a
-- person. It says that something was erased, when and why, and never whom.
CREATE TABLE erasure (
    sequence    bigint PRIMARY KEY, -- of the message that replaces
    position    bigint NOT NULL,    -- of the message that was replaced
    recorded_at timestamptz NOT NULL,
    source      text COLLATE "C" NOT NULL,
    id          text COLLATE "C" NOT NULL,
    reason      text NOT NULL
);
CREATE INDEX erasure_identity ON erasure (source, id);
CREATE INDEX erasure_position ON erasure (position);

-- erasure_run: the erasures under way. While one lasts, and no longer, it is known
-- which pseudonym takes the place of which code, so that it can be taken up again.
CREATE TABLE erasure_run (
    role      text COLLATE "C" NOT NULL CHECK (role IN ('patient', 'surgeon')),
    code      text COLLATE "C" NOT NULL,
    pseudonym text COLLATE "C" NOT NULL,
    PRIMARY KEY (role, code)
);

ALTER TABLE erasure ENABLE ROW LEVEL SECURITY;
ALTER TABLE erasure FORCE ROW LEVEL SECURITY;
CREATE POLICY erasure_read ON erasure FOR SELECT TO lensledger_reader USING (
    (SELECT current_setting('app.role', true)) = 'administrator');

-- Nobody reads erasure_run but the command itself.
ALTER TABLE erasure_run ENABLE ROW LEVEL SECURITY;
ALTER TABLE erasure_run FORCE ROW LEVEL SECURITY;

GRANT SELECT ON erasure, erasure_run TO lensledger_reader;
GRANT SELECT, INSERT, UPDATE, DELETE ON erasure, erasure_run TO lensledger_writer;

-- +goose Down
DROP TABLE erasure_run, erasure;
