-- Called by archive.Intake: what the sources that the reader may see sent, by what became of it.
SELECT source, department, disposition, events, last_sequence, last_recorded_at
FROM intake_count ORDER BY source, department, disposition
