-- Called by projector.eachCopy: what the archive has of each position of a range.
SELECT coalesce(a.sequence, l.sequence, q.sequence) AS sequence, a.disposition, a.duplicate_of,
    l.hash, l.wire_hash, l.headers, l.body, q.subject, q.headers AS set_aside_headers, q.body AS set_aside_body
FROM (SELECT sequence, disposition, duplicate_of FROM arrival WHERE sequence BETWEEN $1 AND $2) a
FULL JOIN (SELECT sequence, hash, wire_hash, headers, body FROM event_log WHERE sequence BETWEEN $1 AND $2) l ON l.sequence = a.sequence
FULL JOIN (SELECT sequence, subject, headers, body FROM quarantine WHERE sequence BETWEEN $1 AND $2) q ON q.sequence = coalesce(a.sequence, l.sequence)
ORDER BY 1
