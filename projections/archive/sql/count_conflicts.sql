-- Called by archive.CountLeftOut: of each of departments $2, the identities that came with more than one content, as of
-- position $1.
SELECT e.department, count(DISTINCT (e.source, e.id)) AS identities
FROM conflict c JOIN event_log e ON e.sequence = c.sequence
WHERE c.sequence <= $1 AND e.department = ANY ($2)
GROUP BY e.department
