-- Called by feedback.readReviews: the reviews of a surgeon's cases as they are now.
SELECT case_code, part, surgeon, department, started_at, reviewed_at, trainer, at_this_stage, teaching_points, agreed_action, supervision_next
FROM case_review WHERE surgeon = $1
