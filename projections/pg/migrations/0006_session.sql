-- +goose Up

-- session: who is signed in on a page. id_hash is the SHA-256 of the id in the
-- person's cookie, which is nowhere else; claims are those of services/access that
-- make an actor, and nothing else of what an issuer said.
CREATE TABLE session (
    id_hash    bytea PRIMARY KEY CHECK (length(id_hash) = 32),
    claims     jsonb NOT NULL,
    signed_on  boolean NOT NULL,     -- by the sign-on service, which then has to hear of the end
    started_at timestamptz NOT NULL,
    used_at    timestamptz NOT NULL, -- to the minute
    ends_at    timestamptz NOT NULL CHECK (ends_at > started_at)
);

-- No actor reads it: the reader has no grant, and only the program itself, which is
-- a member of the writer, passes the policy.
ALTER TABLE session ENABLE ROW LEVEL SECURITY;
ALTER TABLE session FORCE ROW LEVEL SECURITY;
CREATE POLICY session_program ON session TO lensledger_writer USING (true) WITH CHECK (true);

GRANT SELECT, INSERT, UPDATE, DELETE ON session TO lensledger_writer;

-- +goose Down
DROP TABLE session;
