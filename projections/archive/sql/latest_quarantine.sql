-- Called by archive.LatestQuarantine: what waits first, then what was released, latest first, with the first bytes of each.
SELECT sequence, recorded_at, subject, source, department, reason, problems::text AS problems, length(body) AS bytes,
    substring(body FROM 1 FOR $2) AS sample, released_as, mapping
FROM quarantine ORDER BY released_as IS NOT NULL, sequence DESC LIMIT $1
