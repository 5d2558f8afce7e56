-- Called by learning.ReadLogbook: the operations of a surgeon with what came of their eyes, of those that stand as of a position.
SELECT o.case_code, o.department, o.eye, o.operated_on, o.started_at, o.first_operator, o.responsible_consultant, o.supervision,
    o.outcome_known, o.excluded, coalesce(y.complications, '{}') AS complications, y.before_on, y.after_on, y.refraction_on,
    coalesce(y.refraction_reason, '') AS refraction_reason, coalesce(y.followup_closed, '') AS followup_closed
FROM chart_entry e JOIN operation o ON o.case_code = e.case_code LEFT JOIN eye_outcome y ON y.case_code = e.case_code
WHERE e.surgeon = $1 AND o.last_position <= $2
