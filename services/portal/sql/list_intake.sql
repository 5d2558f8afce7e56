-- Called by portal.intake: what each source sent and what became of it.
SELECT source, department, disposition, events, last_recorded_at FROM intake_count ORDER BY source, department, disposition
