-- Called by projector.replace: the events that are to be replaced, as they stand archived.
SELECT sequence, hash, wire_hash, subject, headers, body FROM event_log WHERE sequence = ANY ($1) ORDER BY sequence
