-- Called by archive.Quarantine: what could not be taken, after a position, with the first bytes of each.
SELECT sequence, recorded_at, subject, source, department, reason, problems::text AS problems, length(body) AS bytes,
    substring(body FROM 1 FOR $3) AS sample, released_as, mapping
FROM quarantine WHERE sequence > $1 ORDER BY sequence LIMIT $2
