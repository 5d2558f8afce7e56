-- Called by feedback.Waiting: operations of trainees that nobody has reviewed, latest first. A reader who sees a case as one
-- of its people but not its surgeon sees no review of it either; the join on surgeon keeps such cases out.
SELECT o.case_code, o.first_operator AS surgeon, o.department, o.started_at, o.supervision, o.rupture, o.rupture_step, o.taken_over,
    e.complications, e.findings @> ARRAY['endophthalmitis'] AS infected,
    -- A take-over is the second in a row by the case before that entered the surgeon's charts.
    o.taken_over IS TRUE AND coalesce((SELECT b.taken_over FROM chart_entry b
        WHERE b.surgeon = o.first_operator AND b.enters AND (b.started_at, b.case_code) < (o.started_at, o.case_code)
        ORDER BY b.started_at DESC, b.case_code DESC LIMIT 1), false) AS taken_over_before
FROM operation o JOIN surgeon s ON s.surgeon = o.first_operator AND s.trainee JOIN eye_outcome e ON e.case_code = o.case_code
WHERE o.counts AND o.outcome_known AND o.started_at >= $1
    AND NOT EXISTS (SELECT 1 FROM case_review r WHERE r.case_code = o.case_code)
ORDER BY o.started_at DESC, o.case_code LIMIT $2
