-- +goose Up

-- arrival.duplicate_of: the position of the archived event that a duplicate repeats.
-- Arrivals of before have none; of those it isn't known any more.
ALTER TABLE arrival ADD COLUMN duplicate_of bigint;

-- A dump taken as the writer, for whoever isn't let past row level security,
-- includes how far the migrations are.
GRANT SELECT ON goose_db_version TO lensledger_writer;
GRANT SELECT ON SEQUENCE goose_db_version_id_seq TO lensledger_writer;

-- +goose Down
REVOKE SELECT ON goose_db_version FROM lensledger_writer;
ALTER TABLE arrival DROP COLUMN duplicate_of;
