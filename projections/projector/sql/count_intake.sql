-- Called by projector.archive: what each source sent and what became of it.
INSERT INTO intake_count AS c (source, department, disposition, events, last_sequence, last_recorded_at)
SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::bigint[], $5::bigint[], $6::timestamptz[])
ON CONFLICT (source, department, disposition) DO UPDATE SET events = c.events + excluded.events,
    last_sequence = excluded.last_sequence, last_recorded_at = excluded.last_recorded_at
