-- +goose Up

-- arrival.duplicate_of: the position of the archived event that a duplicate repeats.
-- Arrivals of before have none; of those it isn't known any more.
ALTER TABLE arrival ADD COLUMN duplicate_of bigint;

-- A dump taken as the writer, for whoever isn't let past row level security,
-- includes how far the migrations are.
GRANT SELECT ON goose_db_version TO lensledger_writer;
-- +goose StatementBegin
DO $$ BEGIN -- the sequence has the name that was free when the table was made
    EXECUTE format('GRANT SELECT ON SEQUENCE %s TO lensledger_writer', pg_get_serial_sequence('goose_db_version', 'id'));
END $$;
-- +goose StatementEnd

-- +goose Down
REVOKE SELECT ON goose_db_version FROM lensledger_writer;
ALTER TABLE arrival DROP COLUMN duplicate_of;
