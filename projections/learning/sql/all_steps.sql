-- Called by learning.StepEntries: a surgeon's steps as they are now.
SELECT case_code, surgeon, department, started_at, whole, steps, seconds, supervision, failed
FROM step_entry WHERE surgeon = $1 ORDER BY started_at, case_code
