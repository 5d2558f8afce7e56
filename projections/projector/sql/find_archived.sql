-- Called by projector.compareDuplicates: where some events stand archived.
SELECT k.nth, l.sequence FROM unnest($1::text[], $2::text[], $3::bytea[]) WITH ORDINALITY AS k (source, id, hash, nth)
JOIN event_log l ON l.source = k.source AND l.id = k.id AND l.hash = k.hash
