-- Called by projector.loadTimes: the steps of some surgeons in some operations.
SELECT e.surgeon, e.case_code, e.steps, e.seconds FROM step_entry e
JOIN unnest($1::text[], $2::text[]) AS k (surgeon, case_code) ON e.case_code = k.case_code AND e.surgeon = k.surgeon
