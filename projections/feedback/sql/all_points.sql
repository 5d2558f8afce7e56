-- Called by feedback.readPoints: a surgeon's teaching points as they are now.
SELECT case_code, part, surgeon, department, started_at, noted_at, step, teaching_point, polarity, consequence, noted_by, recording_offset_ms
FROM teaching_point WHERE surgeon = $1
