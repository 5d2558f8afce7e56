-- Called by projector.erasureAt: the erasure whose message stood at a position, with what is kept of the event it replaced.
SELECT e.position, e.source, e.id, e.reason, a.recorded_at, l.headers, l.body
FROM erasure e LEFT JOIN arrival a ON a.sequence = e.position LEFT JOIN event_log l ON l.sequence = e.position
WHERE e.sequence = $1
