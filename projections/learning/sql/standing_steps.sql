-- Called by learning.StepEntries: a surgeon's steps from cases that stand as of a position.
SELECT e.case_code, e.surgeon, e.department, e.started_at, e.whole, e.steps, e.seconds, e.supervision, e.failed
FROM step_entry e JOIN operation o ON o.case_code = e.case_code
WHERE e.surgeon = $1 AND o.last_position <= $2
ORDER BY e.started_at, e.case_code
