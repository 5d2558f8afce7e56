-- Called by projector.classify: what stands archived under some identities.
SELECT l.source, l.id, l.hash, l.sequence, l.subject FROM event_log l
JOIN (SELECT DISTINCT * FROM unnest($1::text[], $2::text[]) AS k (source, id)) k ON l.source = k.source AND l.id = k.id
