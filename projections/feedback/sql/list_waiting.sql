-- Called by feedback.Waiting: operations of trainees that nobody has reviewed, latest first. A reader who sees a case as one
-- of its people but not its surgeon sees no review of it either; the join on surgeon keeps such cases out.
SELECT o.case_code, o.first_operator AS surgeon, o.department, o.started_at, o.supervision, o.rupture, o.taken_over
FROM operation o JOIN surgeon s ON s.surgeon = o.first_operator AND s.trainee
WHERE o.counts AND o.outcome_known AND o.started_at >= $1
    AND NOT EXISTS (SELECT 1 FROM case_review r WHERE r.case_code = o.case_code)
ORDER BY o.started_at DESC, o.case_code LIMIT $2
