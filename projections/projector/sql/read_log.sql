-- Called by projector.advance: archived events after one position up to another.
SELECT sequence, hash, subject, headers, body FROM event_log WHERE sequence > $1 AND sequence <= $2 ORDER BY sequence
