-- Called by archive.Touches: what came about some subjects after position $2 up to $3, and whether it came under an
-- identity with another content. Each combination once: a count of events is of no interest.
SELECT DISTINCT l.subject, l.type, EXISTS (SELECT 1 FROM conflict c WHERE c.sequence = l.sequence) AS in_conflict
FROM event_log l
WHERE l.subject = ANY ($1) AND l.sequence > $2 AND l.sequence <= $3
ORDER BY 1, 2, 3
