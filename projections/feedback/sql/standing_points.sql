-- Called by feedback.readPoints: a surgeon's teaching points from cases that stand as of a position.
SELECT p.case_code, p.part, p.surgeon, p.department, p.started_at, p.noted_at, p.step, p.teaching_point, p.polarity, p.consequence, p.noted_by, p.recording_offset_ms
FROM teaching_point p JOIN operation o ON o.case_code = p.case_code
WHERE p.surgeon = $1 AND o.last_position <= $2
