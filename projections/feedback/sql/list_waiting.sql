-- Called by feedback.Waiting: operations of trainees that nobody has reviewed, latest first. A reader who sees a case as one
-- of its people but not its surgeon sees no review of it either; the join on surgeon keeps such cases out.
-- Each trainee's operations are looked up by the index, whatever the planner guesses: those of all are many.
SELECT o.case_code, s.surgeon, o.department, o.started_at, o.supervision, o.rupture, o.rupture_step, o.taken_over,
    e.complications, e.findings @> ARRAY['endophthalmitis'] AS infected,
    -- A take-over is the second in a row by the case before that entered the surgeon's charts.
    o.taken_over IS TRUE AND coalesce((SELECT b.taken_over FROM chart_entry b
        WHERE b.surgeon = s.surgeon AND b.enters AND (b.started_at, b.case_code) < (o.started_at, o.case_code)
        ORDER BY b.started_at DESC, b.case_code DESC LIMIT 1), false) AS taken_over_before
FROM (SELECT surgeon FROM surgeon WHERE trainee OFFSET 0) s
CROSS JOIN LATERAL (SELECT case_code, department, started_at, supervision, rupture, rupture_step, taken_over
    FROM operation WHERE first_operator = s.surgeon AND started_at >= $1 AND counts AND outcome_known OFFSET 0) o
CROSS JOIN LATERAL (SELECT complications, findings FROM eye_outcome WHERE case_code = o.case_code OFFSET 0) e
WHERE NOT EXISTS (SELECT 1 FROM case_review r WHERE r.case_code = o.case_code OFFSET 0)
ORDER BY o.started_at DESC, o.case_code LIMIT $2
