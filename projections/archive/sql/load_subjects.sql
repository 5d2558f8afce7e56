-- Called by archive.Load: all archived events of some subjects up to a position, each
-- with the latest position up to it of another event under the same identity. That is
-- asked in two halves, each of which an index answers: as one, with OR, Postgres reads
-- all conflicts for each event.
SELECT l.sequence, l.hash, l.subject, l.headers, l.body,
    greatest((SELECT max(c.with_sequence) FROM conflict c WHERE c.sequence = l.sequence AND c.sequence <= $2),
        (SELECT max(c.sequence) FROM conflict c WHERE c.with_sequence = l.sequence AND c.sequence <= $2), 0) AS conflict_at
FROM event_log l
WHERE l.subject = ANY ($1) AND l.sequence <= $2
ORDER BY l.sequence
