-- +goose Up

-- What was under way when a projector ended, so that an event which ends the
-- program is found. Noted before handling, in transactions of their own.
ALTER TABLE stream_state
    ADD COLUMN attempt_from   bigint  NOT NULL DEFAULT 0, -- position at which a projector began
    ADD COLUMN attempt_starts integer NOT NULL DEFAULT 0, -- how many began there
    ADD COLUMN attempt_alone  bigint  NOT NULL DEFAULT 0, -- event that was handled alone; 0 for none
    ADD COLUMN attempt_tries  integer NOT NULL DEFAULT 0; -- how often

-- +goose Down
ALTER TABLE stream_state
    DROP COLUMN attempt_from, DROP COLUMN attempt_starts, DROP COLUMN attempt_alone, DROP COLUMN attempt_tries;
