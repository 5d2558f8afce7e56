-- Called by archive.CountLeftOut: of each of departments $2, the identities that came with more than one content, as of
-- position $1. OFFSET 0 keeps each lookup one of its own, by the index: conflicts are few, the log is long.
SELECT e.department, count(DISTINCT (e.source, e.id)) AS identities
FROM conflict c
CROSS JOIN LATERAL (SELECT department, source, id FROM event_log WHERE sequence = c.sequence AND department = ANY ($2) OFFSET 0) e
WHERE c.sequence <= $1
GROUP BY e.department
