-- Called by projector.corrected: what the target of a correction is about.
SELECT about, headers, body FROM event_log WHERE source = $1 AND id = $2 ORDER BY sequence LIMIT 1
