-- +goose Up

-- quarantine.mapping: which words of the publisher's were exchanged, for which and
-- by whom, where the event was sent again with them; the bytes here stay as received.
ALTER TABLE quarantine ADD COLUMN mapping jsonb;

-- +goose Down
ALTER TABLE quarantine DROP COLUMN mapping;
