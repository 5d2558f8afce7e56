-- Called by projector.repeated: the archived event at a position, or else the last one before another.
SELECT headers, body FROM event_log WHERE sequence = coalesce($1, (SELECT max(sequence) FROM event_log WHERE sequence < $2))
