-- Called by alarm.DepartmentCharts: what a department's charts need of each eye, of those that stand as of a position.
SELECT case_code, operated_on, second_eye, after_hundredths, after_low_vision, complications, lens_site, uncomplicated_in_bag, error_thousandths, refraction_reason, visual_loss,
    vision_reason, lens_model, formula, biometer
FROM eye_outcome WHERE department = $1 AND last_position <= $2
