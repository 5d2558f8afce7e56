-- Sessions.Begin: a new session, and the end of the one that the browser had.
WITH ended AS (DELETE FROM session WHERE id_hash = $7)
INSERT INTO session (id_hash, claims, signed_on, started_at, used_at, ends_at) VALUES ($1, $2, $3, $4, $5, $6)
