-- Called by archive.CountLeftOut: the identities of department $2 that came with more than one content, as of position $1.
SELECT count(DISTINCT (e.source, e.id))
FROM conflict c JOIN event_log e ON e.sequence = c.sequence
WHERE c.sequence <= $1 AND e.department = $2
