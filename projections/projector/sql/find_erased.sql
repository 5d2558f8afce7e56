-- Called by projector.erasedOf: which of some identities were erased.
SELECT DISTINCT e.source, e.id FROM erasure e
JOIN (SELECT * FROM unnest($1::text[], $2::text[]) AS k (source, id)) k ON e.source = k.source AND e.id = k.id
