-- Called by archive.Events: archived events about a case and corrections of them, by position. A code that no event about
-- a case has is none.
SELECT l.sequence, l.recorded_at, l.source, l.id, l.type, l.subject, l.department, l.hash, l.wire_hash, l.headers, l.body
FROM event_log l
WHERE l.subject = ANY ($1) AND l.sequence > $2 AND l.sequence <= $3
    AND EXISTS (SELECT 1 FROM event_log c WHERE c.subject = l.subject AND c.about = 'case' AND c.sequence <= $3)
ORDER BY l.sequence LIMIT $4
