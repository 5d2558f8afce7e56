-- Called by projector.classify: the hashes already archived under some identities.
SELECT l.source, l.id, l.hash FROM event_log l
JOIN (SELECT DISTINCT * FROM unnest($1::text[], $2::text[]) AS k (source, id)) k ON l.source = k.source AND l.id = k.id
