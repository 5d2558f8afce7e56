-- Called by archive.Load: all archived events of some subjects up to a position, each
-- with the latest position up to it of another event under the same identity.
SELECT l.sequence, l.hash, l.subject, l.headers, l.body,
    (SELECT coalesce(max(CASE WHEN c.sequence = l.sequence THEN c.with_sequence ELSE c.sequence END), 0)
     FROM conflict c WHERE (c.sequence = l.sequence OR c.with_sequence = l.sequence) AND c.sequence <= $2) AS conflict_at
FROM event_log l
WHERE l.subject = ANY ($1) AND l.sequence <= $2
ORDER BY l.sequence
