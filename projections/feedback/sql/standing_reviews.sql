-- Called by feedback.readReviews: the reviews of a surgeon's cases that stand as of a position.
SELECT r.case_code, r.part, r.surgeon, r.department, r.started_at, r.reviewed_at, r.trainer, r.at_this_stage, r.teaching_points,
    r.agreed_action, r.supervision_next
FROM case_review r JOIN operation o ON o.case_code = r.case_code
WHERE r.surgeon = $1 AND o.last_position <= $2
