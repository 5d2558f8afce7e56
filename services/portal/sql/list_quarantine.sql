-- Called by portal.intake: what waits in quarantine first, then what was replayed, latest first.
SELECT sequence, recorded_at, source, department, reason, problems::text AS problems, released_as
FROM quarantine ORDER BY released_as IS NOT NULL, sequence DESC LIMIT $1
