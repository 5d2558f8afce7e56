-- Called by archive.Load: all archived events of some subjects up to a position.
SELECT sequence, hash, subject, headers, body
FROM event_log
WHERE subject = ANY ($1) AND sequence <= $2
ORDER BY sequence
