-- Called by projector.partition: the whole archive in sequence.
SELECT sequence, hash, subject, headers, body FROM event_log WHERE sequence <= $1 ORDER BY sequence
