-- Called by learning.ReadProgress: what came of the eyes that a surgeon operated, of those that stand as of a position.
SELECT y.case_code, y.operated_on, y.before_on, y.after_on, y.refraction_on, y.refraction_reason, y.followup_closed
FROM chart_entry e JOIN eye_outcome y ON y.case_code = e.case_code
WHERE e.surgeon = $1 AND y.last_position <= $2
