-- Called by projector.checkHistory, once at each start.
SELECT sequence, body FROM event_log ORDER BY sequence DESC LIMIT 1
